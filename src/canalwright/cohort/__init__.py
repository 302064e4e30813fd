"""Many specimens or many virtual canals at once, on one machine or a cluster."""
