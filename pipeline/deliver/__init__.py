"""What a delivery adds when its files are made: a zip, a web page, a push to an address."""
