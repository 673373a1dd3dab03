"""Serving the page over HTTP, and keeping what must not pass."""
