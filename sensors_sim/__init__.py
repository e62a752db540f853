"""Simulated chain drives that publish pulse batches as a capture device does; a physics of its own."""
