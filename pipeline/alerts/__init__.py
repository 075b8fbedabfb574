"""What a person should look at, and why: one function a rule, a plain status a tree, the week's list.

A rule sees the histories of one tree and says what it finds today; the store gives findings a life.
Every finding names its numbers, its threshold with the source, and a next step for a person.
Nothing is ever called a diagnosis, and a closed surface says nothing of the wood inside.
``docs/alerts.md`` has a heading for each rule.
"""

from pipeline.alerts.neighbours import CLUSTERING, find_neighbours, may_cluster
from pipeline.alerts.registry import RULES, Rule, find, find_in, questions, questions_in
from pipeline.alerts.status import tree_status
from pipeline.alerts.stem import Arc, stem_girdle
from pipeline.alerts.view import TreeView
from pipeline.alerts.week import WeekEntry, week_list

__all__ = [
    "CLUSTERING",
    "RULES",
    "Arc",
    "Rule",
    "TreeView",
    "WeekEntry",
    "find",
    "find_in",
    "find_neighbours",
    "may_cluster",
    "questions",
    "questions_in",
    "stem_girdle",
    "tree_status",
    "week_list",
]
