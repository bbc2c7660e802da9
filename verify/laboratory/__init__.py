"""The demo laboratory: a small site of real protocol servers on the loopback range, with faults planted on purpose."""
