"""What exists and what happened to it: units, places, records. True even if nobody plans again."""
