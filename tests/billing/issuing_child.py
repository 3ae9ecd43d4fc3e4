"""A process that issues a run and may be killed: `python -m tests.billing.issuing_child JOB`."""

import sys
import uuid

import django


def main(job: str) -> None:
    """What a worker does with a job, in this process."""
    django.setup()
    from django.utils import timezone

    from billing import tasks
    from trimmer.services import jobs

    assert tasks.issue_run  # registers what a worker does
    jobs.run(uuid.UUID(job), clock=timezone.now)


if __name__ == "__main__":
    main(sys.argv[1])
