"""Tags of the record: what each piece of a page is, for whoever hears it read or searches it.

The logical structure of a PDF as ISO 32000-1 has it (14.7 structure, 14.8 tagged PDF): whatever is
drawn within :meth:`TaggedCanvas.tagged` belongs to a node of the structure, all else (frames,
rules, feet of pages) is an artifact. With title, language, date (XMP, 14.3.2) and an sRGB output
intent (14.11.5). No conformance to PDF/A or PDF/UA is claimed in the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from xml.sax.saxutils import escape

from PIL import ImageCms
from reportlab.pdfbase.pdfdoc import (
    PDFArray,
    PDFDictionary,
    PDFName,
    PDFPage,
    PDFStream,
    PDFString,
    PDFZCompress,
)
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph


@dataclass(eq=False, slots=True)
class Node:
    """A node of the structure: ``role`` is a standard type (H1, P, Table, TR, TH, TD, Figure).

    ``scope`` of a TH: Column or Row; ``alt`` describes a Figure; ``box`` is where one stands on
    its page. ``kids`` are nodes, and pieces of pages by page number and mark.
    """

    role: str
    parent: Node | None = None
    scope: str = ""
    alt: str = ""
    box: tuple[float, ...] = ()
    kids: list[Node | tuple[int, int]] = field(default_factory=list)
    placed: bool = False


class TaggedParagraph(Paragraph):
    """A paragraph that belongs to a node; so do its pieces where it is split."""

    node: Node
    _taken: tuple[float, Any] | None = None

    def wrap(self, available_width: float, available_height: float) -> Any:
        """Break the lines to a width, once: a table asks for each cell's height, then to draw it.

        Parameters
        ----------
        available_width
            Width, points.
        available_height
            Height, points.

        Returns
        -------
        Any
            Width and height taken, points.
        """
        # the lines are gone where the library found no way to split them
        known = self._taken if hasattr(self, "blPara") else None
        if known is None or known[0] != available_width:
            known = self._taken = (
                available_width,
                super().wrap(available_width, available_height),
            )
        return known[1]

    def split(self, available_width: float, available_height: float) -> Any:
        """Split as any paragraph.

        Parameters
        ----------
        available_width
            Width, points.
        available_height
            Height, points.

        Returns
        -------
        Any
            The parts.
        """
        pieces: Any = super().split(available_width, available_height)
        for piece in pieces:
            piece.node = self.node
        return pieces

    def draw(self) -> None:
        """Draw within the node."""
        with tagged(self.canv, self.node):
            super().draw()


class TaggedFigure(Flowable):
    """A drawing that is read as its description."""

    def __init__(self, drawn: Flowable, alt: str) -> None:
        super().__init__()
        self.drawn, self.node = drawn, Node("Figure", alt=alt)

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Take the room of what is drawn.

        Parameters
        ----------
        available_width
            Width, points.
        available_height
            Height, points.

        Returns
        -------
        tuple[float, float]
            Width and height, points.
        """
        self.width, self.height = self.drawn.wrap(available_width, available_height)
        return self.width, self.height

    def draw(self) -> None:
        """Draw within the node."""
        left, bottom = self.canv.absolutePosition(0, 0)
        self.node.box = (left, bottom, left + self.width, bottom + self.height)
        with tagged(self.canv, self.node):
            self.drawn.drawOn(self.canv, 0, 0)


class TaggedCanvas(Canvas):
    """A canvas that knows the structure of what it draws."""

    def __init__(self, *args: Any, **settings: Any) -> None:
        super().__init__(*args, **{**settings, "pdfVersion": (1, 7)})
        # deflated alone: the library's usual letters after that (ASCII 85) are a quarter more
        self._doc.defaultStreamFilters = [PDFZCompress]  # type: ignore[attr-defined]
        self.structure = Node("Document", placed=True)
        # nodes by page, in the order of their marked content's numbers (MCID)
        self._marked: dict[int, list[Node]] = {}
        self._page_objects: dict[int, PDFPage] = {}

    @contextmanager
    def tagged(self, node: Node) -> Iterator[None]:
        """Let what is drawn meanwhile belong to a node, which has its place where first drawn."""
        page = self.getPageNumber()
        marked = self._marked.setdefault(page, [])
        self._place(node)
        node.kids.append((page, len(marked)))
        code = self._code  # type: ignore[attr-defined]
        # out of the artifact that a page is until told otherwise, into the node, and back after it
        code.append(f"EMC /{node.role} <</MCID {len(marked)}>> BDC")
        marked.append(node)
        yield
        code.append("EMC /Artifact BMC")

    def _place(self, node: Node) -> None:
        if not node.placed:
            # a node stands in its parent in the order in which either was first drawn
            parent = node.parent or self.structure
            self._place(parent)
            parent.kids.append(node)
            node.placed = True

    def close_page(self) -> None:
        """Make an artifact of what belongs to no node; called once a page before it is shown."""
        code = self._code  # type: ignore[attr-defined]
        code.insert(0, "/Artifact BMC")
        code.append("EMC")

    def _setAnnotations(self, page: Any) -> None:  # noqa: N802 - reportlab's name
        """Set a page in its place in the structure as it is finished."""
        super()._setAnnotations(page)  # type: ignore[misc]
        number = self.getPageNumber()
        # the library writes no key that it does not list
        page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
        page.StructParents, page.Tabs = number - 1, PDFName("S")
        # by the file's own filter
        page.compression = 0
        self._page_objects[number] = page

    def write_structure(self, title: str, language: str, date: datetime) -> None:
        """Put structure, metadata and output intent into the file; after the last page.

        Parameters
        ----------
        title
            Title of the document.
        language
            Its language.
        date
            When it was made.
        """
        document = self._doc  # type: ignore[attr-defined]
        catalog, root = document.Catalog, PDFDictionary({"Type": PDFName("StructTreeRoot")})
        made: dict[int, PDFDictionary] = {}
        root["K"] = self._element(self.structure, document.Reference(root), made)
        parents: list[Any] = []
        # for every page the elements of its marked contents, by MCID: readers find their way back
        for page in sorted(self._page_objects):
            row = [document.Reference(made[id(node)]) for node in self._marked.get(page, [])]
            parents += [page - 1, PDFArray(row)]
        root["ParentTree"] = PDFDictionary({"Nums": PDFArray(parents)})
        root["ParentTreeNextKey"] = len(self._page_objects)
        catalog.__NoDefault__ = [*catalog.__NoDefault__, "OutputIntents"]
        catalog.StructTreeRoot, catalog.MarkInfo = root, PDFDictionary({"Marked": "true"})
        catalog.Metadata = _metadata(title, language, date)
        catalog.OutputIntents = PDFArray([_output_intent(document)])

    def _element(self, node: Node, parent: Any, made: dict[int, PDFDictionary]) -> Any:
        """Make the structure element of a node with all below it; give its reference."""
        document = self._doc  # type: ignore[attr-defined]
        element = made[id(node)] = PDFDictionary({"S": PDFName(node.role), "P": parent})
        if node.alt:
            element["Alt"] = PDFString(node.alt)
        if node.box:
            box = PDFArray([round(value, 2) for value in node.box])
            element["A"] = PDFDictionary({"O": PDFName("Layout"), "BBox": box})
        if node.scope:
            element["A"] = PDFDictionary({"O": PDFName("Table"), "Scope": PDFName(node.scope)})
        here, kids = document.Reference(element), []
        # a mark on the element's own page is its number alone (14.7.4.2)
        first = next((kid[0] for kid in node.kids if isinstance(kid, tuple)), None)
        if first is not None:
            element["Pg"] = document.Reference(self._page_objects[first])
        for kid in node.kids:
            if isinstance(kid, Node):
                kids.append(self._element(kid, here, made))
            elif kid[0] == first:
                kids.append(kid[1])
            else:
                page = document.Reference(self._page_objects[kid[0]])
                kids.append(PDFDictionary({"Type": PDFName("MCR"), "Pg": page, "MCID": kid[1]}))
        element["K"] = PDFArray(kids)
        return here


def tagged(canvas: Canvas, node: Node) -> AbstractContextManager[None]:
    """Let what is drawn meanwhile belong to a node, on the canvas that the pages are made with.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    node
        Place in the structure.

    Returns
    -------
    AbstractContextManager[None]
        A context in which what is drawn belongs to the node.
    """
    assert isinstance(canvas, TaggedCanvas)
    return canvas.tagged(node)


def _metadata(title: str, language: str, date: datetime) -> PDFStream:
    """Return title, language and date as XMP (ISO 16684-1), unfiltered for any program to find."""
    day, space = date.strftime("%Y-%m-%dT%H:%M:%SZ"), "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
    words = f"""<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{space}">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<dc:format>application/pdf</dc:format>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>
<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
<xmp:CreateDate>{day}</xmp:CreateDate><xmp:ModifyDate>{day}</xmp:ModifyDate>
<xmp:CreatorTool>sitegis</xmp:CreatorTool>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>"""
    kinds = {"Type": PDFName("Metadata"), "Subtype": PDFName("XML")}
    return PDFStream(PDFDictionary(kinds), words.encode("utf-8"), filters=[])


def _output_intent(document: Any) -> Any:
    """Return the intent that colors are sRGB, its profile made by LittleCMS, without a date."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = bytes(12)  # when it was made (ICC.1, 7.2.8): the same file on any day
    stream = PDFStream(PDFDictionary({"N": 3}), bytes(profile))
    return document.Reference(
        PDFDictionary(
            {
                "Type": PDFName("OutputIntent"),
                "S": PDFName("GTS_PDFA1"),
                "OutputConditionIdentifier": PDFString("sRGB IEC61966-2.1"),
                "DestOutputProfile": document.Reference(stream),
            }
        )
    )
