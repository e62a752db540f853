"""InfluxDB as the store of readings and roll-ups."""
