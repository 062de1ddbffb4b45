"""Stage 9, what the grow needs -> advice: water, food, the plugs, space, the next sowing, what to do today.

Pure functions on tables and records. Every line of advice carries its reason, its basis (your notes, published or
common practice) and, where a number is uncertain, its 90 % interval.
"""
