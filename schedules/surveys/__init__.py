"""Opening surveys: what hangs at a site against what the register says, settled and written by the desk."""
