package tables

import (
	"database/sql"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// Alert is one message to one channel in the queue that survives a crash.
type Alert struct {
	ID       string    `json:"id"` // unique; the receiver can tell a repetition by it
	PassID   string    `json:"pass,omitempty"`
	Channel  string    `json:"channel"`
	Payload  []byte    `json:"payload,omitempty"`
	MadeAt   time.Time `json:"made_at"`
	DueAt    time.Time `json:"due_at,omitzero"` // when delivery is tried next; zero: it is given up
	Attempts int       `json:"attempts"`        // deliveries that failed
	Error    string    `json:"error,omitempty"`
	DoneAt   time.Time `json:"done_at,omitzero"` // delivered
	SeenAt   time.Time `json:"seen_at,omitzero"` // acknowledged by a person
	SeenBy   string    `json:"seen_by,omitempty"`

	Verdict record.Verdict `json:"-"` // that its pass has now, "" for none
}

// ScanAlert reads a row of the queue.
func ScanAlert(rows *sql.Rows) (a Alert, err error) {
	var at [4]string
	if err := rows.Scan(&a.ID, &a.PassID, &a.Channel, &a.Payload, &at[0], &at[1], &a.Attempts, &a.Error, &at[2], &at[3],
		&a.SeenBy, &a.Verdict); err != nil {
		return a, err
	}
	if at[1] >= Never {
		at[1] = ""
	}
	for i, to := range []*time.Time{&a.MadeAt, &a.DueAt, &a.DoneAt, &a.SeenAt} {
		if *to, err = sqlbase.Unstamp(at[i]); err != nil {
			return a, err
		}
	}
	return a, nil
}

// Never is the time at which an alert is due that is given up, and earlier than what older
// programs wrote for such: a hundred years from then.
const Never = "2100-01-01T00:00:00.000000Z"
