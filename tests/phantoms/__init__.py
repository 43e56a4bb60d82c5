"""Synthetic radiographs of known crest: A, E, F, H, K, L, M for training, the rest for judging."""
