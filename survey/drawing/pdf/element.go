package pdf

import (
	"fmt"
	"strconv"
)

// Role is the kind of a structure element (ISO 32000-1, 14.8.4).
type Role string

const (
	Section    Role = "Sect"
	Division   Role = "Div"
	Heading1   Role = "H1"
	Heading2   Role = "H2"
	Heading3   Role = "H3"
	Paragraph  Role = "P"
	List       Role = "L"
	Item       Role = "LI"
	Label      Role = "Lbl"
	Body       Role = "LBody"
	Table      Role = "Table"
	Row        Role = "TR"
	ColumnHead Role = "TH"  // heads its column
	RowHead    Role = "TH " // heads its row; written as TH
	Cell       Role = "TD"
	Image      Role = "Figure"
	Link       Role = "Link"
)

// Element is a node of the structure tree: what a run of marks is to a reader
// who cannot see it. Marks name their element when a page is drawn.
type Element struct {
	role Role
	alt  string
	box  [4]float64 // points, of an Image once it is drawn
	kids []kid
	num  int // object, 0 until it is needed
}

// kid is an element, or marks on a page, or an annotation there.
type kid struct {
	element *Element
	page    int
	mark    int // -1 for an annotation
	object  int
}

// NewSection begins the tree of a section of the document; Document.Finish
// adds it.
func NewSection() *Element { return &Element{role: Section} }

// Add makes an element inside another, after those it has. On a nil element it
// returns nil: what stands there is decoration.
func (e *Element) Add(r Role) *Element {
	if e == nil {
		return nil
	}
	k := &Element{role: r}
	e.kids = append(e.kids, kid{element: k})
	return k
}

// AddImage makes an element for a drawing, with the words that stand for it.
func (e *Element) AddImage(alt string) *Element {
	k := e.Add(Image)
	if k != nil {
		k.alt = alt
	}
	return k
}

// empty tells an element of which nothing was drawn.
func (e *Element) empty() bool {
	for _, k := range e.kids {
		if k.element == nil || !k.element.empty() {
			return false
		}
	}
	return true
}

func (d *Document) number(e *Element) int {
	if e.num == 0 {
		e.num = d.reserve()
	}
	return e.num
}

// Finish writes the tree of a section of the document once its pages are
// drawn.
func (d *Document) Finish(section *Element) {
	if section == nil || section.empty() {
		return
	}
	d.sections.add(d.front, d.element(section, d.root))
}

func (d *Document) element(e *Element, parent int) int {
	num := d.number(e)
	own := 0 // the page that integer kids lie on
	var list []byte
	for _, k := range e.kids {
		switch {
		case k.element != nil:
			if !k.element.empty() {
				list = strconv.AppendInt(list, int64(d.element(k.element, num)), 10)
				list = append(list, " 0 R "...)
			}
		case k.object != 0:
			list = fmt.Appendf(list, "<</Type /OBJR /Pg %d 0 R /Obj %d 0 R>> ", k.page, k.object)
		case own == 0 || own == k.page:
			own = k.page
			list = append(strconv.AppendInt(list, int64(k.mark), 10), ' ')
		default:
			list = fmt.Appendf(list, "<</Type /MCR /Pg %d 0 R /MCID %d>> ", k.page, k.mark)
		}
	}
	more := ""
	if own != 0 {
		more += fmt.Sprintf(" /Pg %d 0 R", own)
	}
	role := e.role
	switch e.role {
	case Image:
		b := e.box
		more += fmt.Sprintf(" /Alt %s /A <</O /Layout /Placement /Block /BBox [%.1f %.1f %.1f %.1f]>>", textString(e.alt), b[0], b[1], b[2], b[3])
	case ColumnHead:
		more += " /A <</O /Table /Scope /Column>>"
	case RowHead:
		role = ColumnHead
		more += " /A <</O /Table /Scope /Row>>"
	case List:
		more += " /A <</O /List /ListNumbering /None>>"
	}
	d.object(num, "<</S /%s /P %d 0 R /K [%s]%s>>", role, parent, list, more)
	return num
}

// structure writes the root of the tree and which element owns each mark.
func (d *Document) structure() {
	var nums []byte
	for key, owners := range d.parents {
		nums = fmt.Appendf(nums, "%d %d 0 R ", key, owners)
	}
	tree := d.reserve()
	d.object(tree, "<</Nums [%s]>>", nums)
	d.object(d.root, "<</S /Document /P %d 0 R /K [%s]>>", d.top, references(d.sections.all()))
	d.object(d.top, "<</Type /StructTreeRoot /K %d 0 R /ParentTree %d 0 R /ParentTreeNextKey %d>>", d.root, tree, len(d.parents))
}
