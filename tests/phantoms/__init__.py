"""Synthetic radiographs of known crest: A, E, F, H and K for training, B, C and D for judging."""
