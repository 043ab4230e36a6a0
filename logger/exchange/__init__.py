"""Files of samples and tables: their columns, taking them in, writing them out."""
