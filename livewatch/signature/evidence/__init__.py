"""What a drive shows, before anybody asks why."""
