"""Fitting the part of a model that takes in what the sessions of a course showed."""
