"""YAML and CSV files with line and column, messages about mistakes in them, and templates of our pages."""
