"""The cohort engine, the disease model declared on it, and the resolution of inputs into rates."""
