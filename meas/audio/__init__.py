"""One protocol towards the outside world: sound card, simulated bench, foreign recordings."""
