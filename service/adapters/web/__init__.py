"""The HTTP API and the server-rendered pages."""
