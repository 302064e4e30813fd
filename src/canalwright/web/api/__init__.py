"""The REST interface: the records behind the same gate as the pages."""
