"""Links: ports, threads, retries, line speed and modem lines. What a byte means is not known here."""
