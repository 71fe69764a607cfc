"""Training of the network that cleans and demosaics a Bayer mosaic: see README.md beside this file.

Nothing here is imported by the program or by pytest: PyTorch is needed, and a GPU.
"""
