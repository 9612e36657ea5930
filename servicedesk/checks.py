"""System checks: misfits between settings that would only show later, each with its cure."""

from __future__ import annotations
