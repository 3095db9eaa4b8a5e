//! A figure's data as dictionaries, lists and arrays.

use numpy::{PyArray2, PyArrayMethods};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};

use super::convert::{array, plain, read_only};
use crate::figure::{Axis, Curve, Figure, Map, Panel, Plot, Points, Polar, Row};

/// A figure as dictionaries, lists and arrays.
pub(super) fn as_dict<'py>(py: Python<'py>, figure: &Figure) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("title", &figure.title)?;
    dict.set_item("notes", &figure.notes)?;
    dict.set_item("page", figure.page)?;
    dict.set_item("shared", figure.shared)?;
    let rows: Vec<_> = figure.rows.iter().map(|row| row_dict(py, row)).collect::<PyResult<_>>()?;
    dict.set_item("rows", rows)?;
    Ok(dict)
}

fn row_dict<'py>(py: Python<'py>, row: &Row) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("height", row.height)?;
    dict.set_item("joined", row.joined)?;
    let panels: Vec<_> =
        row.panels.iter().map(|panel| panel_dict(py, panel)).collect::<PyResult<_>>()?;
    dict.set_item("panels", panels)?;
    Ok(dict)
}

fn panel_dict<'py>(py: Python<'py>, panel: &Panel) -> PyResult<Bound<'py, PyAny>> {
    match panel {
        Panel::Plot(plot) => Ok(plot_dict(py, plot)?.into_any()),
        Panel::Map(map) => Ok(map_dict(py, map)?.into_any()),
        Panel::Polar(polar) => Ok(polar_dict(py, polar)?.into_any()),
        // rows and words hold no arrays; the axis of rows tells its words as every other axis
        Panel::Rows(rows) => {
            let dict = plain(py, panel)?;
            if let Some(axis) = &rows.x_axis {
                dict.set_item("x_axis", axis_dict(py, axis)?)?;
            }
            Ok(dict)
        }
        Panel::Words(_) => plain(py, panel),
    }
}

fn axis_dict<'py>(py: Python<'py>, axis: &Axis) -> PyResult<Bound<'py, PyAny>> {
    let dict = plain(py, axis)?;
    dict.set_item("words", axis.words())?;
    dict.set_item("depth_db", axis.depth_db())?;
    Ok(dict)
}

fn curve_dict<'py>(py: Python<'py>, curve: &Curve) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("name", &curve.name)?;
    dict.set_item("stroke", plain(py, &curve.stroke)?)?;
    dict.set_item("x", array(py, curve.x().to_vec())?)?;
    dict.set_item("y", array(py, curve.y().to_vec())?)?;
    let edge = |k: usize| curve.band().map(|band| array(py, band[k].clone())).transpose();
    dict.set_item("low", edge(0)?)?;
    dict.set_item("high", edge(1)?)?;
    Ok(dict)
}

fn points_dict<'py>(py: Python<'py>, points: &Points) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("name", &points.name)?;
    dict.set_item("symbol", plain(py, &points.symbol)?)?;
    dict.set_item("x", array(py, points.x.clone())?)?;
    dict.set_item("y", array(py, points.y.clone())?)?;
    dict.set_item("labels", &points.labels)?;
    dict.set_item("sizes", &points.sizes)?;
    Ok(dict)
}

fn curves<'py>(py: Python<'py>, curves: &[Curve]) -> PyResult<Bound<'py, PyList>> {
    let made: Vec<_> = curves.iter().map(|c| curve_dict(py, c)).collect::<PyResult<_>>()?;
    PyList::new(py, made)
}

fn plot_dict<'py>(py: Python<'py>, plot: &Plot) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("form", "plot")?;
    dict.set_item("title", &plot.title)?;
    dict.set_item("remark", &plot.remark)?;
    dict.set_item("x_axis", axis_dict(py, &plot.x_axis)?)?;
    dict.set_item("y_axis", axis_dict(py, &plot.y_axis)?)?;
    dict.set_item("curves", curves(py, &plot.curves)?)?;
    dict.set_item("marks", plain(py, &plot.marks)?)?;
    dict.set_item("spans", plain(py, &plot.spans)?)?;
    dict.set_item("limits", plain(py, &plot.limits)?)?;
    let points: Vec<_> = plot.points.iter().map(|p| points_dict(py, p)).collect::<PyResult<_>>()?;
    dict.set_item("points", points)?;
    dict.set_item("lines", curves(py, &plot.lines)?)?;
    dict.set_item("arrows", plain(py, &plot.arrows)?)?;
    dict.set_item("equal", plot.equal)?;
    Ok(dict)
}

fn map_dict<'py>(py: Python<'py>, map: &Map) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("form", "map")?;
    dict.set_item("title", &map.title)?;
    dict.set_item("look", plain(py, &map.look)?)?;
    dict.set_item("x_axis", axis_dict(py, &map.x_axis)?)?;
    dict.set_item("y_axis", axis_dict(py, &map.y_axis)?)?;
    dict.set_item("value_axis", axis_dict(py, &map.value_axis)?)?;
    dict.set_item("x", array(py, map.x().to_vec())?)?;
    dict.set_item("y", array(py, map.y().to_vec())?)?;
    let shape = [map.y().len(), map.x().len()];
    let values: Bound<'py, PyArray2<f32>> = array(py, map.values().to_vec())?.reshape(shape)?;
    read_only(values.as_any())?;
    dict.set_item("values", values)?;
    dict.set_item("marks", plain(py, &map.marks)?)?;
    dict.set_item("lines", curves(py, &map.lines)?)?;
    dict.set_item("outlines", plain(py, &map.outlines)?)?;
    Ok(dict)
}

fn polar_dict<'py>(py: Python<'py>, polar: &Polar) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("form", "polar")?;
    dict.set_item("title", &polar.title)?;
    dict.set_item("angle_axis", axis_dict(py, &polar.angle_axis)?)?;
    dict.set_item("radius_axis", axis_dict(py, &polar.radius_axis)?)?;
    dict.set_item("named", &polar.named)?;
    let mut traces = Vec::new();
    for trace in &polar.traces {
        let made = PyDict::new(py);
        made.set_item("name", &trace.name)?;
        made.set_item("angle_deg", array(py, trace.angle_deg().to_vec())?)?;
        made.set_item("radius", array(py, trace.radius().to_vec())?)?;
        traces.push(made);
    }
    dict.set_item("traces", traces)?;
    dict.set_item("points", plain(py, &polar.points)?)?;
    Ok(dict)
}
