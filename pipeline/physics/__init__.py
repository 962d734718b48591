"""Formulas of the trade with their sources; keyword-only, SI, numpy in and out."""
