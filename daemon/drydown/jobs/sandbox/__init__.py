"""What encloses a child: two layers of the Linux kernel, each tried before it is trusted. Needs no privilege and no library."""
