"""Many benches, one archive: what their stores have, gathered over MQTT into one database that people only read."""
