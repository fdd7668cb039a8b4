"""Pages: the counselling sheet and the reports. They show numbers and compute none."""
