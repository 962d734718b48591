"""Arrays in, arrays out: signal processing that knows nothing of cars."""
