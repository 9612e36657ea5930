"""Pages of the dispatcher and the manager: what is due, where, by whom, and after which rules."""
