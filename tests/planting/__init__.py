"""Fault injection: valid builds, one planter a kind of fault, and the check must name it.

Planters are written from the fault as a builder would make it, and know the
line at which the rule must speak; they never ask the rule.  ``python -m
tests.planting`` prints the table.
"""
