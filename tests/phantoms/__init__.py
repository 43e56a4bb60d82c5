"""Synthetic radiographs of known crest: A, E, F, H and K for training, the rest for judging."""
