"""Open layers of a GeoPackage in QGIS and tell how each looks; run by the system's Python.

/usr/bin/python3 qgis_look.py FILE FOLDER LAYER... puts a picture of each into the folder.
"""

import json
import os
import sys

from qgis.core import QgsApplication, QgsMapRendererParallelJob, QgsMapSettings, QgsVectorLayer
from qgis.PyQt.QtCore import QSize, Qt
from qgis.PyQt.QtGui import QColor

SIDE = 300


def look(part):
    """Return line, fill and color of a symbol layer; Qt's own names for its styles."""
    line = part.layerType() == "SimpleLine"
    custom = line and part.useCustomDashPattern()
    style = part.penStyle() if line else part.strokeStyle()
    filled = hasattr(part, "brushStyle") and part.brushStyle() != Qt.NoBrush
    return {
        "dashed": custom or style == Qt.DashLine,
        "fill_alpha": part.fillColor().alpha() if filled else 0,
        "color": (part.color() if line else part.strokeColor()).name(),
    }


def main(path, folder, *names):
    """Load, look, render; leave before Qt takes itself apart."""
    app = QgsApplication([], False)
    app.initQgis()
    told = {name: layer_look(path, name, os.path.join(folder, f"{name}.png")) for name in names}
    sys.stdout.write(json.dumps(told))
    sys.stdout.flush()
    os._exit(0)


def layer_look(path, name, picture):
    """Return how one layer looks, and save its picture."""
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    assert layer.isValid()
    renderer = layer.renderer()
    if renderer.type() == "categorizedSymbol":
        symbols = {one.value(): one.symbol().clone() for one in renderer.categories()}
    else:
        symbols = {"": renderer.symbol().clone()}
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setBackgroundColor(QColor(255, 255, 255))
    settings.setOutputSize(QSize(SIDE, SIDE))
    extent = layer.extent()
    extent.grow(0.1 * max(extent.width(), extent.height()) + 0.5)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    image.save(picture)
    return {
        "symbols": {value: look(symbol.symbolLayer(0)) for value, symbol in symbols.items()},
        "labels": layer.labelsEnabled(),
        "aliases": [field.alias() for field in layer.fields()],
        "features": layer.featureCount(),
    }


main(*sys.argv[1:])
