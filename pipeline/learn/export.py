"""Write a release: ONNX, safetensors, calibration, features, metrics, card, and the contract that binds them."""

from __future__ import annotations

import json
import logging
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch

from pipeline.errors import ModelError
from pipeline.learn.net import Output, WoundNet
from pipeline.learn.train import save_weights
from pipeline.network import CONTRACT_KIND, CONTRACT_VERSION, FILES, INPUTS, OUTPUTS, sha256_of
from pipeline.records import Sign, Stage, Tissue

if TYPE_CHECKING:
    from pipeline.network import Calibration, FeatureStatistics

logger = logging.getLogger(__name__)

OPSET = 17


def write_onnx(net: WoundNet, file: Path) -> None:
    """Export through the tracing exporter (seconds; the newer one took minutes for the same graph)."""
    net = net.eval().cpu().float()
    inputs = (torch.zeros(2, 3, 384, 384), torch.ones(2, 1, 384, 384), torch.zeros(2, 1))
    axes = {name: {0: "batch", 2: "height", 3: "width"} for name in ("picture", "valid")}
    axes["scale"] = {0: "batch"}
    axes |= {name: {0: "batch"} for name in OUTPUTS}
    for name in ("tissue", "signs"):
        axes[name] = {0: "batch", 2: "half_height", 3: "half_width"}
    with warnings.catch_warnings():
        # The tracing exporter warns that it is the older one; it is chosen on purpose.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            net,
            inputs,
            str(file),
            dynamo=False,
            opset_version=OPSET,
            input_names=list(INPUTS),
            output_names=list(Output._fields),
            dynamic_axes=axes,
        )
    _pad_inside_convolutions(file)


def _pad_inside_convolutions(file: Path) -> None:
    """Move each one-sided padding into the convolution after it: the same sums, a quarter less time.

    Torch has no convolution padded on one side only; ONNX has.  A padding of its own makes the runtime lay out the
    largest features anew twice.
    """
    import onnx

    model = onnx.load(str(file))
    graph = model.graph
    for pad in [node for node in graph.node if node.op_type == "Pad"]:
        (conv,) = (node for node in graph.node if pad.output[0] in node.input)
        attributes = {a.name: onnx.helper.get_attribute_value(a) for a in conv.attribute}
        if conv.op_type != "Conv" or any(attributes["pads"]):
            raise RuntimeError("A padding does not stand before a convolution without padding.")
        total = attributes["kernel_shape"][0] - attributes["strides"][0]
        low = total // 2
        kept = [a for a in conv.attribute if a.name != "pads"]
        del conv.attribute[:]
        conv.attribute.extend([*kept, onnx.helper.make_attribute("pads", [low, low, total - low, total - low])])
        conv.input[0] = pad.input[0]
        graph.node.remove(pad)
    _drop_unused(graph)
    onnx.checker.check_model(model)
    onnx.save(model, str(file))


def _drop_unused(graph: Any) -> None:
    """Take out nodes whose results nothing reads."""
    while True:
        read = {name for node in graph.node for name in node.input} | {output.name for output in graph.output}
        unused = [node for node in graph.node if read.isdisjoint(node.output)]
        if not unused:
            return
        for node in unused:
            graph.node.remove(node)


def release(
    folder: Path,
    net: WoundNet,
    calibration: Calibration,
    known: FeatureStatistics,
    metrics: dict[str, Any],
    card: str,
    *,
    name: str,
    settings: str,
) -> None:
    """Write a whole model folder; its contract is written last, so a half-written folder is refused.

    The weights should have been rounded (:func:`pipeline.learn.train.round_weights`) before they were tested.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "contract.json").unlink(missing_ok=True)
    write_onnx(net, folder / "model.onnx")
    save_weights(net, folder / "model.safetensors", {"name": name, "settings": settings}, half=True)
    (folder / "calibration.json").write_text(json.dumps(calibration.to_json(), indent=1) + "\n", encoding="utf-8")
    np.savez_compressed(folder / "features.npz", mean=known.mean, axes=known.axes, distances=known.distances)
    (folder / "metrics.json").write_text(json.dumps(metrics, indent=1) + "\n", encoding="utf-8")
    (folder / "card.md").write_text(card, encoding="utf-8")
    seal(folder, name=name, settings=settings)


def seal(folder: Path, *, name: str, settings: str) -> None:
    """Write the contract over the files that are there."""
    contract = {
        "kind": CONTRACT_KIND,
        "version": CONTRACT_VERSION,
        "name": name,
        "settings": settings,
        "inputs": list(INPUTS),
        "outputs": list(OUTPUTS),
        "tissues": [t.name.lower() for t in Tissue],
        "signs": [s.value for s in Sign],
        "stages": [s.word for s in Stage],
        "sha256": {file: sha256_of(folder / file) for file in (*FILES, "model.safetensors")},
    }
    partial = folder / "contract.part"
    partial.write_text(json.dumps(contract, indent=1) + "\n", encoding="utf-8")
    partial.replace(folder / "contract.json")


def state_rim(
    folder: Path, rim_sd_mm: float, rim_repeat_sd_mm: float, rim_offset_mm: float, rim_offset_sd_mm: float
) -> None:
    """Write into a model folder how far its rims were found to be off, and seal it anew.

    Parameters
    ----------
    rim_sd_mm, rim_repeat_sd_mm
        Deviation over all rims, and from photo to photo of one wound, once the offset is taken off.
    rim_offset_mm, rim_offset_sd_mm
        How far out the rims lie on the mean, and its standard error.  ``benchmarks/bench_repeat.py --state`` finds
        all four.
    """
    file = folder / "calibration.json"
    content = json.loads(file.read_text(encoding="utf-8"))
    content |= {
        "rim_sd_mm": round(rim_sd_mm, 3),
        "rim_repeat_sd_mm": round(rim_repeat_sd_mm, 3),
        "rim_offset_mm": round(rim_offset_mm, 3),
        "rim_offset_sd_mm": round(rim_offset_sd_mm, 3),
    }
    file.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    contract = json.loads((folder / "contract.json").read_text(encoding="utf-8"))
    seal(folder, name=contract["name"], settings=contract["settings"])


def load_weights(file: Path) -> WoundNet:
    """A network from its safetensors."""
    from safetensors.torch import load_file

    net = WoundNet()
    try:
        net.load_state_dict(load_file(str(file)))
    except (OSError, RuntimeError) as error:
        raise ModelError(
            f"The weights in {file} cannot be used: {error}.", "Name the safetensors of a network."
        ) from error
    return net.eval()
