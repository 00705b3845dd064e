"""Links, decoding, recordings and quantities of a run. Never imports a screen."""
