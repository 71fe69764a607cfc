"""Arrays: colour, tone, geometry, resampling, sharpness."""
