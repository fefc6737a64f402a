"""A build sheet filled in on the screen."""
