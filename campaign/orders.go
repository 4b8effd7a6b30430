package campaign

import (
	"encoding/json"
	"fmt"
)

// OrdersKey is the key under which the orders of a bench are kept.
func OrdersKey(campaign, bench string) string { return "campaign/" + campaign + "/orders/" + bench }

// EncodeOrders writes orders as text.
func EncodeOrders(orders []Order) (string, error) {
	text, err := json.Marshal(orders)
	if err != nil {
		return "", fmt.Errorf("write orders: %w", err)
	}
	return string(text), nil
}

// DecodeOrders reads what [EncodeOrders] wrote; an empty text is no orders.
func DecodeOrders(text string) ([]Order, error) {
	if text == "" {
		return nil, nil
	}
	var orders []Order
	if err := json.Unmarshal([]byte(text), &orders); err != nil {
		return nil, fmt.Errorf("read orders: %w", err)
	}
	return orders, nil
}
