"""Stretches of recordings with their alarms, to be handed on."""
