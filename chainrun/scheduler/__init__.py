"""Worker processes: runs tasks and returns results. Ends only processes that it started."""

from chainrun.scheduler.processes import processors_here, warm_up, worker_pool
from chainrun.scheduler.scheduler import Scheduler, WorkerDiedError

__all__ = ["Scheduler", "WorkerDiedError", "processors_here", "warm_up", "worker_pool"]
