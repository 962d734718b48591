"""What analyses share: one module each, found by being there, computed once when asked for."""
