package main

// conclusions are the commands that draw conclusions from the passes of the store.
type conclusions struct {
	Cells         cellsCmd         `cmd:"" group:"result" help:"Show the figures of each cell with their uncertainty, and whether its passes agree." example:"capctl cells --tag game=\"Copper Drift\""`
	Compare       compareCmd       `cmd:"" group:"result" help:"Compare cells that differ in one factor: margin, interval and result." example:"capctl compare --by gpu --base \"Lumen 60\""`
	Limits        limitsCmd        `cmd:"" group:"result" help:"Show for each cell whether the processor or the graphics card is the limit." example:"capctl limits"`
	Odd           oddCmd           `cmd:"" group:"result" help:"List suspicious results: cells that do not fit in with the others." example:"capctl odd"`
	Predict       predictCmd       `cmd:"" group:"result" help:"Estimate cells that were not measured, and say which need not be." example:"capctl predict"`
	Holds         holdsCmd         `cmd:"" group:"result" help:"Show which settings reach 60, 144 ... FPS, on average and at the 1% low." example:"capctl holds 60 144"`
	Value         valueCmd         `cmd:"" group:"result" help:"Show the cost per frame, and what is not worth its price." example:"capctl value --prices prices.csv"`
	Power         powerCmd         `cmd:"" group:"result" help:"Show power, heat, clocks and frames per watt of cells or parts." example:"capctl power --by gpu"`
	Repeatability repeatabilityCmd `cmd:"" group:"result" help:"Show how well passes repeat, per bench, game and figure, and over the months." example:"capctl repeatability"`
	Reuse         reuseCmd         `cmd:"" group:"result" help:"Check whether older results are comparable with new ones." example:"capctl reuse --old campaign=spring --new campaign=autumn"`
	Summary       summaryCmd       `cmd:"" group:"result" help:"Say the conclusions in at most twenty sentences, each with its figures." example:"capctl summary --markdown"`
	Ready         readyCmd         `cmd:"" group:"result" help:"Say what stands against publishing: odd, open and doubtful cells, other campaigns and drivers, facts not known." example:"capctl ready"`
	Note          noteCmd          `cmd:"" group:"result" help:"Note something about a card, a processor, a game, a cell or a campaign, take that back, or list the notes." example:"capctl note gpu=\"Lumen 60\" --text \"on loan, an early sample\""`
	Charts        chartsCmd        `cmd:"" group:"result" help:"Draw pictures for video and page, as a file orders them or a good set." example:"capctl charts --out pictures charts.toml"`
	Report        reportCmd        `cmd:"" group:"result" help:"Write a page with tables and charts, the charts as SVG and PNG, and a data package." example:"capctl report --out report"`
}
