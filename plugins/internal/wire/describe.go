package wire

import (
	"capd.example/plugins"
	pb "capd.example/proto/validator/v1"
)

var parameterTypes = map[plugins.Type]pb.Parameter_Type{
	plugins.Number:  pb.Parameter_TYPE_NUMBER,
	plugins.Integer: pb.Parameter_TYPE_INTEGER,
	plugins.Boolean: pb.Parameter_TYPE_BOOLEAN,
	plugins.Text:    pb.Parameter_TYPE_TEXT,
}

func fromDescription(d plugins.Description) *pb.Description {
	m := &pb.Description{Name: d.Name, Version: d.Version, About: d.About, Needs: d.Needs}
	for _, p := range d.Parameters {
		m.Parameters = append(m.Parameters, &pb.Parameter{
			Name: p.Name, Type: parameterTypes[p.Type], Default: p.Default, Unit: p.Unit, About: p.About,
		})
	}
	return m
}

func toDescription(m *pb.Description) plugins.Description {
	d := plugins.Description{Name: m.GetName(), Version: m.GetVersion(), About: m.GetAbout(), Needs: m.GetNeeds()}
	for _, p := range m.GetParameters() {
		q := plugins.Parameter{Name: p.GetName(), Type: plugins.Text, Default: p.GetDefault(), Unit: p.GetUnit(),
			About: p.GetAbout()}
		for t, number := range parameterTypes {
			if number == p.GetType() {
				q.Type = t
			}
		}
		d.Parameters = append(d.Parameters, q)
	}
	return d
}
