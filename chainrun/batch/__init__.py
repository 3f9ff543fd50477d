"""Many renders from one file of jobs: restartable, in parallel, on a cluster if there is one."""

from chainrun.batch.jobs import Job, open_jobs
from chainrun.batch.run import BatchOptions, BatchResult, run_batch

__all__ = ["BatchOptions", "BatchResult", "Job", "open_jobs", "run_batch"]
