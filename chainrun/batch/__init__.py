"""Renders many recipes from one file of jobs: restartable, in parallel, on a cluster if there is one."""
