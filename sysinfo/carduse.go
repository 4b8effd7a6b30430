package sysinfo

import (
	"runtime"
	"slices"

	"capd.example/record"
)

// openCardUse opens what tells who uses the graphics cards; nil where there is none.
func openCardUse(live bool, cards *cardFinder, table *processTable) *cardTable {
	t := newCardTable(table.nameOf)
	if live && runtime.GOOS == "windows" {
		openWindowsCardUse(t)
	} else {
		openTreeCardUse(t, cards, table)
	}
	if len(t.readers) == 0 && len(t.gaps) == 0 {
		return nil
	}
	return t
}

func openTreeCardUse(t *cardTable, cards *cardFinder, table *processTable) {
	list, _ := cards.all()
	lib, _ := cards.library()
	var drm []drmCard
	for i, c := range list {
		switch {
		case c.nv != nil:
			t.use(newNVMLReader(lib, i, c.nv.index), nvmlEvery)
		case slices.Contains([]string{"amdgpu", "i915", "xe"}, c.driver):
			drm = append(drm, drmCard{i, c.address})
		default:
			t.silent(i, record.Unsupported, "the driver "+c.driver+" does not tell who uses the card")
		}
	}
	files, known := table.openFiles()
	if len(drm) > 0 && known {
		t.use(newDRMUse(files, drm, table), drmEvery)
	}
}
