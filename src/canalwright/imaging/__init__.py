"""Scans, their readers, phantoms of known truth, and the measurement of canals in them."""
