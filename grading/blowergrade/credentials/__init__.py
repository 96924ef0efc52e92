"""Certificates: what a school signs about a passed exam, how anybody checks it offline, and the page that hangs on a wall."""
