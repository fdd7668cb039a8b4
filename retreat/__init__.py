"""How many laser sessions will this eye need? Discrete-time models, their calibration, a counselling sheet."""
