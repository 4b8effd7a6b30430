// Package notify tells people about doubtful and bad passes at once, once, and without
// losing a word.
//
// A [Dispatcher] hands every [Alert] to the channels whose rule wants it. Each channel
// has a worker and a queue of its own, so that a slow or dead receiver delays nobody
// else and never the pipeline. A queue that survives a crash is the caller's ([Queue]);
// an alert with a known identity is queued only once, and is delivered again only where
// a delivery failed or where the program died between the delivery and the note of it.
//
// Addresses of web hooks and services often hold a secret: no error and no message of
// this package shows more of one than scheme and host.
package notify
