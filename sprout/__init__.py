"""Counts seedlings on a hydroponic lid from one phone photo a day."""
