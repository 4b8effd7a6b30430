package wire

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"capd.example/internal/text"
	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

var update = flag.Bool("update", false, "rewrite the golden bytes; only for fields that were added")

// TestRoundTrip: what goes through the wire comes out the same, whatever it holds.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := fill(t, reflect.TypeFor[record.Evidence]()).Interface().(record.Evidence)
		bytes, err := proto.Marshal(fromEvidence(e))
		if err != nil {
			t.Fatal(err)
		}
		var m pb.Evidence
		if err := proto.Unmarshal(bytes, &m); err != nil {
			t.Fatal(err)
		}
		if got := toEvidence(&m); !same(reflect.ValueOf(e), reflect.ValueOf(got)) {
			t.Fatalf("sent %+v\ngot  %+v", e, got)
		}
	})
}

// fill makes a value of any type of package record, so that a field that the conversions
// forget is found when it is added.
func fill(t *rapid.T, typ reflect.Type) reflect.Value {
	v := reflect.New(typ).Elem()
	switch {
	case typ == reflect.TypeFor[time.Time]():
		if rapid.Bool().Draw(t, "known") {
			v.Set(reflect.ValueOf(time.Unix(0, rapid.Int64Range(1, 4e18).Draw(t, "ns")).UTC()))
		}
		return v
	case typ == reflect.TypeFor[record.Outcome]():
		v.SetString(string(rapid.SampledFrom([]record.Outcome{record.OK, record.NotChecked, record.Doubtful, record.Bad}).Draw(t, "outcome")))
		return v
	}
	switch typ.Kind() {
	case reflect.Struct:
		for i := range typ.NumField() {
			v.Field(i).Set(fill(t, typ.Field(i).Type))
		}
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "set") {
			v.Set(reflect.New(typ.Elem()))
			v.Elem().Set(fill(t, typ.Elem()))
		}
	case reflect.Slice:
		for range rapid.IntRange(0, 2).Draw(t, "len") {
			v.Set(reflect.Append(v, fill(t, typ.Elem())))
		}
	case reflect.Map:
		if n := rapid.IntRange(0, 2).Draw(t, "len"); n > 0 {
			v.Set(reflect.MakeMap(typ))
			for range n {
				v.SetMapIndex(fill(t, typ.Key()), fill(t, typ.Elem()))
			}
		}
	case reflect.String:
		v.SetString(rapid.String().Draw(t, "text"))
	case reflect.Float64:
		v.SetFloat(rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Copysign(0, -1)})).Draw(t, "x"))
	case reflect.Int:
		v.SetInt(int64(rapid.Int32().Draw(t, "n")))
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, "n"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "b"))
	default:
		t.Fatalf("fill does not know %v", typ)
	}
	return v
}

// same is equality with NaN equal to NaN and no difference between nil and empty.
func same(a, b reflect.Value) bool {
	if a.Type() == reflect.TypeFor[time.Time]() {
		return a.Interface().(time.Time).Equal(b.Interface().(time.Time))
	}
	switch a.Kind() {
	case reflect.Struct:
		for i := range a.NumField() {
			if !same(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return true
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			return a.IsNil() == b.IsNil()
		}
		return same(a.Elem(), b.Elem())
	case reflect.Slice:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !same(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Map:
		if a.Len() != b.Len() {
			return false
		}
		for _, k := range a.MapKeys() {
			if y := b.MapIndex(k); !y.IsValid() || !same(a.MapIndex(k), y) {
				return false
			}
		}
		return true
	case reflect.Float64:
		// -0 and 0 are one value of the wire's default.
		x, y := a.Float(), b.Float()
		return x == y || math.IsNaN(x) && math.IsNaN(y)
	}
	return a.Interface() == b.Interface()
}

// example sets every field of a message, so that its bytes show every number and type.
func example(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		switch {
		case depth > 6:
		case f.IsMap():
			k := scalar(f.MapKey()).MapKey()
			v := m.NewField(f).Map().NewValue()
			if f.MapValue().Message() != nil {
				example(v.Message(), depth+1)
			} else {
				v = scalar(f.MapValue())
			}
			m.Mutable(f).Map().Set(k, v)
		case f.IsList() && f.Message() != nil:
			v := m.Mutable(f).List().AppendMutable()
			example(v.Message(), depth+1)
		case f.IsList():
			m.Mutable(f).List().Append(scalar(f))
		case f.Message() != nil:
			example(m.Mutable(f).Message(), depth+1)
		default:
			m.Set(f, scalar(f))
		}
	}
}

func scalar(f protoreflect.FieldDescriptor) protoreflect.Value {
	n := int(f.Number())
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(f.Enum().Values().Len() - 1))
	case protoreflect.Sint32Kind:
		return protoreflect.ValueOfInt32(-int32(n))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(int64(n))
	case protoreflect.Uint64Kind:
		return protoreflect.ValueOfUint64(uint64(n))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(n) / 8)
	}
	return protoreflect.ValueOfString(string(f.Name()))
}

// TestGoldenWire guards the bytes of version 1: a field that changes its number or type
// makes them differ. What was sent by an older validator must also still be read.
func TestGoldenWire(t *testing.T) {
	for _, m := range []proto.Message{
		&pb.DescribeResponse{}, &pb.ConfigureRequest{}, &pb.ConfigureResponse{}, &pb.LoadRequest{}, &pb.CheckRequest{}, &pb.CheckResponse{}, &pb.DescribeRequest{},
	} {
		example(m.ProtoReflect(), 0)
		name := string(m.ProtoReflect().Descriptor().Name())
		t.Run(name, func(t *testing.T) {
			got, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("testdata", "v1", name+".hex")
			if *update {
				os.MkdirAll(filepath.Dir(path), 0o755)
				os.WriteFile(path, []byte(hex.EncodeToString(got)+"\n"), 0o644)
			}
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			want, err := hex.DecodeString(string(bytes.TrimSpace(text)))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("the bytes of version 1 changed: got %x", got)
			}
			old := m.ProtoReflect().New().Interface()
			if err := proto.Unmarshal(want, old); err != nil || !proto.Equal(old, m) {
				t.Errorf("the golden bytes are read as %v (%v)", old, err)
			}
		})
	}
}

// TestUnknownFieldsAreIgnored adds fields of a later version to every message.
func TestUnknownFieldsAreIgnored(t *testing.T) {
	m := &pb.Evidence{}
	example(m.ProtoReflect(), 0)
	want := toEvidence(m)
	var later []byte
	later = protowire.AppendTag(later, 9001, protowire.BytesType)
	later = protowire.AppendString(later, "of a later version")
	later = protowire.AppendTag(later, 9002, protowire.Fixed64Type)
	later = protowire.AppendFixed64(later, 42)
	m.ProtoReflect().SetUnknown(later)
	m.Pass.ProtoReflect().SetUnknown(later)
	m.Telemetry.Series[0].ProtoReflect().SetUnknown(later)
	sent, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var read pb.Evidence
	if err := proto.Unmarshal(sent, &read); err != nil {
		t.Fatal(err)
	}
	if got := toEvidence(&read); !same(reflect.ValueOf(want), reflect.ValueOf(got)) {
		t.Errorf("got %+v", got)
	}
	if o := toOutcome(pb.Outcome(77)); o != record.NotChecked {
		t.Errorf("an outcome of a later version is %q", o)
	}
}

// FuzzAnswer: whatever bytes a validator answers, the finding is one of the four
// outcomes.
func FuzzAnswer(f *testing.F) {
	m := &pb.CheckResponse{}
	example(m.ProtoReflect(), 0)
	seed, _ := proto.Marshal(m)
	f.Add(seed)
	f.Fuzz(func(t *testing.T, data []byte) {
		var m pb.CheckResponse
		if proto.Unmarshal(data, &m) != nil {
			return
		}
		got := told(toFinding(m.GetFinding()))
		if !got.Outcome.Valid() {
			t.Errorf("outcome %q", got.Outcome)
		}
		if _, err := json.Marshal(got); err != nil {
			t.Errorf("the finding has no form in JSON: %v", err)
		}
		if s := got.Reason + got.Advice; strings.ContainsFunc(s, text.Hostile) || len(s) > 10*mostReason {
			t.Errorf("text of %d bytes: %q", len(s), s)
		}
	})
}

// What a pass keeps of an answer and people are told is fit for both, and what was left out
// is said.
func TestAnAnswerIsBounded(t *testing.T) {
	many, words := map[string]float64{"ok": 1, "nan": math.NaN(), "inf": math.Inf(-1)}, map[string]string{"line\nend": "a\x1b[2Jb"}
	for i := range 30000 {
		many[fmt.Sprintf("n%05d", i)] = 2
	}
	got := told(record.Finding{Check: "c", Outcome: record.OK, Reason: strings.Repeat("long ", 180000), Advice: "do\nBAD pass 9\u202e", Numbers: many, Params: words})
	if n := len(got.Numbers); n != mostNumbers {
		t.Errorf("%d numbers were taken", n)
	}
	for _, want := range []string{"more characters)", "no finite number was given for inf, nan", "29801 of its numbers were left out"} {
		if !strings.Contains(got.Reason, want) {
			t.Errorf("the reason ends %q, without %q", got.Reason[len(got.Reason)-200:], want)
		}
	}
	if n := utf8.RuneCountInString(got.Reason); n > mostReason+300 {
		t.Errorf("the reason has %d characters", n)
	}
	if got.Advice != "do BAD pass 9\uFFFD" || got.Params["line end"] != "a\uFFFD[2Jb" {
		t.Errorf("got %q, %q", got.Advice, got.Params)
	}
	if got := told(record.Finding{Outcome: record.Bad, Reason: "\u200b\u202e \n"}); got.Reason != "" {
		t.Errorf("a reason that nobody can see is %q", got.Reason)
	}
	whole := record.Finding{Check: "c", Version: "1", Outcome: record.Bad, Reason: "it stood still", Numbers: map[string]float64{"s": 1}}
	if got := told(whole); !reflect.DeepEqual(got, whole) {
		t.Errorf("%+v became %+v", whole, got)
	}
}

func BenchmarkPack(b *testing.B) {
	e := record.Evidence{Frames: record.Frames{MS: make([]float64, 12000)}}
	for b.Loop() {
		if _, err := proto.Marshal(Pack(e).m); err != nil {
			b.Fatal(err)
		}
	}
}
