"""What flows: frames, samples, ticks, the channel catalogue, data time, events."""
