"""What leaves the machine, by way of an MQTT broker, and what comes back from stations elsewhere."""
