"""What is handed to a person afterwards: a report of a drive, an answer for a customer, drives compared, pulls
overlaid."""
