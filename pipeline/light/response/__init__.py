"""How a camera's finished pictures answer to light: radiometric self-calibration from bursts."""
