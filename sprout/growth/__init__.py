"""Stage 8, tables of days and plugs -> canopy curves, picks, forecasts of the first pick, and health over time."""
