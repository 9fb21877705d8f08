"""Command line and dashboard: they parse, call the library and show; they compute nothing."""
