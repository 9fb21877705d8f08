"""Tables of results, programme and sources, for papers and the terminal."""
