"""Commands: asking and showing. Nothing is decided here."""
