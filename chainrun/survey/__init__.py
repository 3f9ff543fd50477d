"""Surveys stems for faults, one by one and between microphones; drafts a first recipe for a folder of stems."""
