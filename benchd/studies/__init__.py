"""Studies: what joins the store with `inference`. No printing, no clock: `now` comes in as ISO 8601."""
