"""Renders many recipes from one file of jobs: restartable, in parallel, on a cluster if there is one."""

from chainrun.batch.job_record import JobRecord, JobState
from chainrun.batch.jobs import Job, Jobs, open_jobs
from chainrun.batch.run import BatchOptions, BatchResult, run_batch

__all__ = ["BatchOptions", "BatchResult", "Job", "JobRecord", "JobState", "Jobs", "open_jobs", "run_batch"]
