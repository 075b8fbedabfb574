"""A shared folder that answers: look, receive, read, answer, again and again.

The parent (:mod:`pipeline.watch.keeper`) only looks at the inbox and sleeps.  As soon as something has finished
arriving, a child (:mod:`pipeline.watch.desk`) loads what reading needs, works, and ends when it has rested for a
while, so that an idle watcher costs next to nothing.  Everything that makes a photo safe is done by the run itself.
"""

from pipeline.watch.keeper import Keeper, Told, watch_once

__all__ = ["Keeper", "Told", "watch_once"]
