"""The yearly cull of the preset library: plan, trial, application, undo."""
