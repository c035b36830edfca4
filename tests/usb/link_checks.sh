# Runs in the virtual machine: the kernel's driver and our link.
exec /programs/usb_guest_checks --gtest_print_time=1
