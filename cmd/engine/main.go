//go:build js && wasm

// Command engine is the engine compiled for the browser: the answers of
// survey/walk behind one function of the page's global scope,
// holdfastAsk(verb, question), which takes and gives JSON. It ends with the
// page.
package main

import (
	"syscall/js"

	"holdfast/survey/walk"
)

func main() {
	var device walk.Device
	js.Global().Set("holdfastAsk", js.FuncOf(func(_ js.Value, args []js.Value) any {
		if len(args) != 2 {
			return `{"problem":{"message":"a question has a verb and a body"}}`
		}
		return string(device.Ask(args[0].String(), []byte(args[1].String())))
	}))
	select {}
}
