"""Curves, frames, polar sections and frusta: arrays in, arrays out."""
