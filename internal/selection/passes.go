package selection

import (
	"errors"

	"capd.example/internal/cli"
	"capd.example/store"
)

// PassError is why a pass that was named cannot be had.
func PassError(err error) error {
	if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrAmbiguous) {
		return cli.FailedError(err, "'capctl passes' lists the identities")
	}
	return cli.FailedError(err)
}
