package main

// conclusions are the commands that draw conclusions from the passes of the store.
type conclusions struct {
	Cells   cellsCmd   `cmd:"" help:"Show the figures of each cell with their uncertainty, and whether its passes agree."`
	Compare compareCmd `cmd:"" help:"Compare cells that differ in one factor: margin, interval and call."`
	Limits  limitsCmd  `cmd:"" help:"Say for each cell whether the processor or the graphics card is the limit."`
	Odd     oddCmd     `cmd:"" help:"List cells that do not fit in with the others and should be measured again."`
}
