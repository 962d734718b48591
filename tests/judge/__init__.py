"""The judge: analyses against simulated truth, on held-back seeds. See harness.py."""
