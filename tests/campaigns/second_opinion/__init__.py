"""A second vehicle simulator, kept apart from livemon/simulate: measured tables instead of a flow model.

It shares no code and no assumption with livemon's own simulator, estimator or diagnosis. Only campaign.py
imports the program, to run it as a user would.
"""
