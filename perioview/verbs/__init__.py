"""One module per command-line verb: read arguments, call the core, show."""
