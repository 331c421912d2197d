"""What goes on inside guests, through the QEMU guest agent of each."""
