"""Figures: what each shows, how it is drawn, and how it is saved."""
