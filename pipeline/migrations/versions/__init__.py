"""The steps, in order of their numbers; a step that was released is never edited."""
