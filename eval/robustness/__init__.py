"""What breaks it: damaged files, interrupts, changed code; and how heavy a long page is."""
