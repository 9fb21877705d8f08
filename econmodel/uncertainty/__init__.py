"""How sure: probabilistic, one-way, two-way, threshold, scenario and global sensitivity analysis."""
