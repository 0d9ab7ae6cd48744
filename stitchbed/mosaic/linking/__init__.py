"""Places pieces by their links, checked around loops, and tells links that contradict each other."""
