"""Activity, prices, outcomes and comparisons: money and utility applied after the cohort has run."""
