"""The pages, one a file: widgets make an override, an answer comes back, ``reporting`` words and draws."""
