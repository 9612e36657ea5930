"""Stored obligations: what each rule demands of each unit, kept fresh."""
