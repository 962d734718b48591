"""One module per area, found by being there. See harness.py for what a module offers."""
