"""Reading, family by family: each module takes apart one kind of file; `drydown.imaging.read` is the door."""
