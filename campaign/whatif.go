package campaign

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"capd.example/record"
)

// WhatIf returns a copy of the campaign with changes, separated by commas:
//
//	drop FACTOR=LEVEL   take a level away
//	add FACTOR=LEVEL    add a level; an added game is taken to be like the first one
//	passes=N            wanted per cell
//	minutes FACTOR=M    cost of changing a factor
//
// A level that contains a comma cannot be written. Exclusions that speak of a dropped
// Level lose it.
func (c *Campaign) WhatIf(changes string) (*Campaign, error) {
	out := c.clone()
	for _, text := range strings.Split(changes, ",") {
		if err := out.change(strings.TrimSpace(text)); err != nil {
			return nil, fmt.Errorf("%q: %w", strings.TrimSpace(text), err)
		}
	}
	if err := out.tooMany(); err != nil {
		return nil, err
	}
	if out.count() == 0 {
		return nil, fmt.Errorf("%q: no cell is left", changes)
	}
	return out, nil
}

func (c *Campaign) change(text string) error {
	verb, rest, _ := strings.Cut(text, " ")
	if n, ok := strings.CutPrefix(text, "passes="); ok {
		passes, err := strconv.Atoi(strings.TrimSpace(n))
		if err != nil || passes < 1 {
			return fmt.Errorf("%q is not a number of passes", n)
		}
		c.Passes = passes
		return nil
	}
	factor, level, ok := strings.Cut(strings.TrimSpace(rest), "=")
	if !ok {
		return errors.New("is none of drop FACTOR=LEVEL, add FACTOR=LEVEL, passes=N, minutes FACTOR=M")
	}
	i := slices.IndexFunc(c.Factors, func(f Factor) bool { return f.Name == factor })
	if i < 0 {
		return fmt.Errorf("the campaign has no factor %q; it has %s", factor, strings.Join(c.FactorNames(), ", "))
	}
	switch verb {
	case "drop":
		return c.drop(i, level)
	case "add":
		return c.add(i, level)
	case "minutes":
		m, err := strconv.ParseFloat(level, 64)
		if err != nil || !(m >= 0) || m > 1e9 {
			return fmt.Errorf("%q is not a number of minutes", level)
		}
		c.Factors[i].ChangeMinutes = m
		return nil
	}
	return fmt.Errorf("%q is none of drop, add, minutes", verb)
}

func (c *Campaign) drop(i int, level string) error {
	f := &c.Factors[i]
	if err := f.Lacks(level); err != nil {
		return err
	}
	if len(f.Levels) == 1 {
		return fmt.Errorf("it is the only level of %s", f.Name)
	}
	gone := func(l string) bool { return l == level }
	f.Levels = slices.DeleteFunc(f.Levels, gone)
	switch f.Name {
	case record.TagGame:
		c.Games = slices.DeleteFunc(c.Games, func(g Game) bool { return g.Name == level })
	case record.TagScene, record.TagPreset:
		var empty []string
		for g := range c.Games {
			list := &c.Games[g].Presets
			if f.Name == record.TagScene {
				list = &c.Games[g].Scenes
			}
			had := len(*list)
			if *list = slices.DeleteFunc(*list, gone); had > 0 && len(*list) == 0 {
				empty = append(empty, c.Games[g].Name)
			}
		}
		// A game left without a level has no cells any more.
		for _, name := range empty {
			if err := c.drop(slices.IndexFunc(c.Factors, func(f Factor) bool { return f.Name == record.TagGame }),
				name); err != nil {
				return err
			}
		}
	}
	for _, e := range c.Excludes {
		if levels, ok := e.Levels[f.Name]; ok {
			e.Levels[f.Name] = slices.DeleteFunc(slices.Clone(levels), gone)
		}
	}
	return nil
}

func (c *Campaign) add(i int, level string) error {
	f := &c.Factors[i]
	if level == "" {
		return errors.New("the level is empty")
	}
	if i := slices.IndexFunc(f.Levels, func(l string) bool { return strings.EqualFold(l, level) }); i >= 0 {
		return fmt.Errorf("%s has the level %q already", f.Name, f.Levels[i])
	}
	f.Levels = append(f.Levels, level)
	switch f.Name {
	case record.TagGame:
		g := c.Games[0]
		g.Name, g.Scenes, g.Presets = level, slices.Clone(g.Scenes), slices.Clone(g.Presets)
		c.Games = append(c.Games, g)
	case record.TagScene:
		for g := range c.Games {
			c.Games[g].Scenes = append(c.Games[g].Scenes, level)
		}
	case record.TagPreset:
		for g := range c.Games {
			c.Games[g].Presets = append(c.Games[g].Presets, level)
		}
	}
	return nil
}
