"""Root canal instruments, station by station."""
