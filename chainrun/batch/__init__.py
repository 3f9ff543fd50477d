"""Many renders from one file of jobs: restartable, in parallel, on a cluster if there is one."""
