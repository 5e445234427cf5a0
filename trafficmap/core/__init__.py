"""What every room speaks: grid, layers, tables, settings, units, notes, errors.

In come nothing but numbers and words; out go the values and contracts the other
rooms hand to each other.
"""
