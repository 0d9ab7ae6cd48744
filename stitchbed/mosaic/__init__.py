"""The road of scans: pieces of a flat bed into one plan, and the plan into pixels."""
