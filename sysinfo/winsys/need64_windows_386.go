package winsys

// Structures of Windows are read here as 64-bit programs see them.
var _ = this_needs_a_64_bit_Windows
