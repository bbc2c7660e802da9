"""The version of seatrial: the one place it is written."""

VERSION = "0.1.0"
