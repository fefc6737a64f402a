"""What a recording shows: the signature, the alarms, and the build sheet, brought together in one `Diagnosis`."""
