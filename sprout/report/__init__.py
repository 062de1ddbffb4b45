"""Stage 12, tables and pictures -> something to look at.

marked    the grower's own photo with the reading drawn on it
"""
