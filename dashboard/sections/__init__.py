"""Parts of pages: forms, reviews and downloads that more than one page shows."""
