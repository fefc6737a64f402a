"""Asking a car on its diagnostic port."""
