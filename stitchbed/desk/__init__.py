"""The whole job in a page of one's own browser: it calls jobs and pipelines, and has no pixel arithmetic of its own."""
