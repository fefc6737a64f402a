"""What is said: values put into words, once, for every edge that shows them."""
