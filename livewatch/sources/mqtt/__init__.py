"""Rows and words by way of an MQTT broker: where it is, the link to it, its topics and messages, and two sources."""
