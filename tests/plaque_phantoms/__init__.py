"""Synthetic photographs of stained mouths; phantoms, no clinical truth.

Networks are trained on three_channel (A), six_bands (C), varied_mouths (D) and lit_mouths; all
others judge, and training never sees them.
"""
