"""YAML and CSV files with line and column and the words for a mistake in them, and templates of our pages."""
