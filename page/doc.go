// Package page serves what an agent does as one HTML document for a second screen
// or a narrow window: complete without script, and kept up to date by server-sent events where there is
// one. It asks nothing of other machines and shows every word from outside as text.
//
// What is shown are the values of page/view, which page/gather gathers. Nothing
// runs here while nobody looks, but a goroutine that waits for a connection.
package page
