"""Numbers -> figures: the decay with its fit, and the shift plane. matplotlib is loaded when one is drawn."""
