package plugins

// Num describes a number parameter.
func Num(name, def, unit, about string) Parameter {
	return Parameter{Name: name, Type: Number, Default: def, Unit: unit, About: about}
}
