package owncost

import "time"

// fromTicks converts ticks of a counter without overflow: at 10 MHz, ticks times a thousand
// million leave 64 bits after a quarter of an hour.
func fromTicks(n, rate int64) time.Duration {
	if rate <= 0 {
		return 0
	}
	return time.Duration(n/rate)*time.Second + time.Duration(n%rate*int64(time.Second)/rate)
}
