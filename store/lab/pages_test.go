package lab

// SetPageBytes has pages hold less than they may.
func (l *Lab) SetPageBytes(n int) { l.pageBytes = n }
