"""From forecasts to session slots: how many bookings each week will need, and with what spread."""
