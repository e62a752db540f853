"""`python -m sensors_sim`, or whatever command hands over to it."""

from sensors_sim.main import app, command

app(prog_name=command())
