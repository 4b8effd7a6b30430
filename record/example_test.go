package record_test

import (
	"fmt"

	"capd.example/record"
)

// The worst finding decides; a required check that was not made leaves a pass unverified.
func ExampleJudge() {
	findings := []record.Finding{
		{Check: "completeness", Outcome: record.OK},
		{Check: "thermal", Outcome: record.NotChecked},
	}
	fmt.Println(record.Judge(findings, nil))
	fmt.Println(record.Judge(findings, []string{"thermal"}))
	findings = append(findings, record.Finding{Check: "framecap", Outcome: record.Bad})
	fmt.Println(record.Judge(findings, nil))
	// Output:
	// clean
	// unverified
	// bad
}
