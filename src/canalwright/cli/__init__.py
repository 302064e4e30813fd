"""The command line: parse, call, render. No arithmetic happens here."""
