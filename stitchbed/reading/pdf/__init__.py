"""Pages of PDF documents: the stored picture of each, or the page drawn at a resolution that was asked for."""
