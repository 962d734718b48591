"""One file per analysis, found by being there; analyses never import each other."""
