"""The workshop: job cards, their measured steps, instruments, outside test houses."""
