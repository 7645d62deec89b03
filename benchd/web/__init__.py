"""The server: metrics, the JSON interface and the page, on one address."""
