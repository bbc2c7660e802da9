"""The demo laboratory: real protocol servers on the loopback range, in one process."""
