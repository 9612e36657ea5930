"""Plans of days and weeks: who drives where in which order, and every change that a hand made."""
