"""Synthetic radiographs of known crest: A, E, F and K for training, B, C and D for judging."""
