"""What a delivery adds when its files are made: a zip with checksums, a web page of the set, a push to an address."""
