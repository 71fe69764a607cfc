"""Pure numerics on arrays and bytes; no policy, no files of the user."""
