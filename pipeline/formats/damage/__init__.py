"""Whether the data of a picture is whole: what decoders hand on in silence."""
