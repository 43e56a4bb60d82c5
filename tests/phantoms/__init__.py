"""Synthetic radiographs whose crest is known: A for tuning, B and C for judging."""
