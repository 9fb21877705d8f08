"""Reports: tables, figures and papers drawn from results; they format and compute nothing."""
