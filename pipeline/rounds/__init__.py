"""Today's walk: which sites to photograph, in the order in which a person walks, retakes first."""

from pipeline.rounds.page import write_csv, write_page
from pipeline.rounds.plan import Kind, Round, Standing, Stop, Unplaced, plan_round, standings_of_tree, stops_of
from pipeline.rounds.settled import answered_by_the_walk, sent_again
from pipeline.rounds.walk import in_walking_order

__all__ = [
    "Kind",
    "Round",
    "Standing",
    "Stop",
    "Unplaced",
    "answered_by_the_walk",
    "in_walking_order",
    "plan_round",
    "sent_again",
    "standings_of_tree",
    "stops_of",
    "write_csv",
    "write_page",
]
