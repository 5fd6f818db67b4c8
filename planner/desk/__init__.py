"""The desk: the trip on a page served from this computer alone, over the same interface and the same files."""
