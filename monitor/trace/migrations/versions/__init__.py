"""The revisions, in order of their numbers. One that has been released is never edited."""
