"""A process that ends as one whose memory was overwritten."""

import os


def do_task(task, replies):
    """End at the first task."""
    os.abort()
