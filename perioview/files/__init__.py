"""Reading images and visits, and writing drafts back."""
