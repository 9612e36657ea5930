"""A search on another core: started by ``crew``, never by hand."""

import sys

from schedules.planning.engine.crew import serve

serve(sys.stdin.buffer, sys.stdout.buffer)
