"""`python -m sensors_sim`."""

from sensors_sim.main import app

app()
