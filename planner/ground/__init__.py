"""Shipped data on terrain, towns and usual temperatures."""
