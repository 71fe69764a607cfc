"""The mosaic of a sensor: decoding it, its defects and its noise."""
