"""Money of a budget: its rows, what payers pay, equipment, and the arithmetic of finance."""
