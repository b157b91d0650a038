module holdfast

go 1.26.0

require (
	codeberg.org/go-fonts/dejavu v0.4.0 // indirect
	codeberg.org/go-pdf/fpdf v0.12.0 // indirect
	github.com/alecthomas/kong v1.17.0 // indirect
	github.com/chromedp/cdproto v0.159.3 // indirect
	github.com/chromedp/chromedp v0.23.0 // indirect
	github.com/go-chi/chi/v5 v5.5.0 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/gogo/protobuf v1.3.2 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/mattn/go-sqlite3 v1.14.53 // indirect
	github.com/paulmach/orb v0.14.0 // indirect
	github.com/paulmach/protoscan v0.2.1 // indirect
	github.com/peterstace/simplefeatures v0.50.0 // indirect
	github.com/stretchr/testify v1.12.1 // indirect
	go.mongodb.org/mongo-driver/v2 v2.5.0 // indirect
	go.yaml.in/yaml/v3 v3.0.5 // indirect
	golang.org/x/crypto v0.59.0 // indirect
	golang.org/x/image v0.48.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/text v0.44.0 // indirect
	pgregory.net/rapid v1.3.0 // indirect
	rsc.io/qr v0.2.0 // indirect
)
