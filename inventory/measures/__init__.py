"""Pure trade facts: kinds of unit, stamps, units of measure, readings and their limits.

Nothing in this package imports a framework or touches a database. Every function takes and
returns plain values.
"""
