// Package chart draws the charts of a report: bars, lines, maps, frame times. Each is drawn
// in any size, as SVG for a page and as PNG for a video, in light and dark.
package chart
