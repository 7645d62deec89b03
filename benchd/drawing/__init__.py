"""Pictures: stage times, ladders, the first megabyte."""
