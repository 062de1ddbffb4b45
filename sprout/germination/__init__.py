"""Stage 8, tables of plugs -> germination statistics: indices, curves, models, and what is still to come."""
