"""YAML and CSV files with line and column, and what is said of a mistake in them."""
