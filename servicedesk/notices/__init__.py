"""Mails that people get without asking: before a visit, when something falls due, at the day's start.

Each notice is a row first and a mail later, so that nothing is told twice and nothing is lost while a
mail server is away. What to tell is read off the data each time; a message to a worker is only a nudge.
"""
