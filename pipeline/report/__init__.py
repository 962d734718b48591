"""From results to pages: reads analysis.json and figures.json and nothing else."""
