"""A damaged log read page by page, and what could be read put together again."""
