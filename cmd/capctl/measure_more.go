package main

import (
	"fmt"

	"capd.example/internal/cli"
	"capd.example/metrics"
)

// moreFlags ask for figures beside the default ones.
type moreFlags struct {
	QuantileType int       `placeholder:"TYPE" help:"Also percentiles of this Hyndman-Fan type, 1 to 9 (the default figures are type 7)."`
	Low          []float64 `placeholder:"PERCENT,..." help:"Also low rates over these shares of the frames, in per cent."`
	Over         []float64 `placeholder:"MS,..." help:"Also frames and time above these frame times."`
	Cap          []float64 `placeholder:"FPS,..." help:"Also the share of frames at these rates."`
	Trend        bool      `help:"Also trend, step and correlation within the pass."`
	Interval     bool      `help:"Also 95 % limits of the rates by a block bootstrap of the pass's frames."`
	Resamples    int       `default:"1000" placeholder:"N" help:"Resamples of --interval."`
	Block        int       `placeholder:"FRAMES" help:"Frames per block of --interval (default: the square root of their number)."`
	Seed         uint64    `default:"1" placeholder:"N" help:"Seed of --interval; the same seed gives the same limits."`
}

// options returns nil where nothing is asked for.
func (f moreFlags) options() (*metrics.Options, error) {
	o := metrics.Options{QuantileType: f.QuantileType, LowPercent: f.Low, OverMS: f.Over, CapFPS: f.Cap, Trend: f.Trend}
	if f.Interval {
		d := metrics.DefaultDraws()
		d.N, d.Block, d.Seed = f.Resamples, f.Block, f.Seed
		o.Interval = &d
	}
	if err := o.Check(); err != nil {
		return nil, cli.UsageError(fmt.Errorf("measure: %w", err))
	}
	if o.QuantileType == 0 && len(o.LowPercent)+len(o.OverMS)+len(o.CapFPS) == 0 && !o.Trend && o.Interval == nil {
		return nil, nil
	}
	return &o, nil
}
