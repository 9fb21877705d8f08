"""Papers: what a brief and a technical report say, and how they are set as a page, a PDF or a Word file."""
