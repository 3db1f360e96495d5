"""Work orders as ISA-95 exchanges them: a WorkRequest, and a JobResponse once the job is proven.

Source: the public B2MML JSON schema (MESA International, JSON Schema 2020-12): WorkRequestType, JobOrderType,
JobResponseType. A value is written as its plain string; words of a closed list are the schema's own.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

from service.domain.cause import Tool
from service.domain.turn import CAUTIONS
from service.domain.work_order import Planned, RequestState, WorkOrder

_TOOLS: Final = {
    "depth": "depth gauge",
    "force": "draw-force gauge",
    "run_out": "run-out indicator",
    "torque": "torque tool",
}


def is_response(state: RequestState) -> bool:
    """Whether an order is told as a JobResponse: what came of it, and no longer what is to be done."""
    return state == "completed"


def document(order: WorkOrder, state: RequestState, planning: Planned, told: datetime) -> dict[str, Any]:
    """One order as a document of the schema. `told` is when it was first told."""
    if is_response(state):
        return {"JobResponse": job_response(order, planning)}
    return {"WorkRequest": work_request(order, state, planning, told)}


def documents(orders: Iterable[tuple[WorkOrder, RequestState, Planned, datetime]]) -> dict[str, Any]:
    """Several orders in one document: requests in a WorkSchedule, responses in a JobResponseList."""
    requests, responses = [], []
    for order, state, planning, told in orders:
        if is_response(state):
            responses.append(job_response(order, planning))
        else:
            requests.append(work_request(order, state, planning, told))
    made: dict[str, Any] = {}
    if requests:
        made["WorkSchedule"] = {"ID": "work-orders", "WorkType": "Maintenance", "WorkRequest": requests}
    if responses:
        made["JobResponseList"] = {"ID": "work-orders", "WorkType": "Maintenance", "JobResponse": responses}
    return made


def work_request(order: WorkOrder, state: RequestState, planning: Planned, told: datetime) -> dict[str, Any]:
    """What is to be done: the whole job is one job order, with its steps, cautions, tools and parts."""
    word = state.capitalize()
    job: dict[str, Any] = {
        "ID": order.id,
        "Description": [*order.job.steps, *CAUTIONS],
        "WorkType": "Maintenance",
        "HierarchyScope": _scope(order),
        "Priority": order.priority,
        "DispatchStatus": "Dispatched" if word == "Released" else word,
        "PublishedDate": _time(told),
        "JobOrderParameter": list(_parameters(order, planning)),
        "PhysicalAssetRequirement": [{"ID": order.spindle, "PhysicalAssetUse": "Maintained Asset"}],
        "EquipmentRequirement": [_tool(place, each) for place, each in enumerate(order.job.tools, 1)],
        "MaterialRequirement": [
            {
                "ID": each.part,
                "MaterialUse": "Consumable",
                "Quantity": [{"QuantityString": str(each.quantity), "UnitOfMeasure": "1"}],
            }
            for each in order.job.parts
        ],
        "PersonnelRequirement": []
        if planning.assignee is None
        else [{"ID": planning.assignee, "PersonID": [planning.assignee]}],
        **_planned(planning),
    }
    return {
        "ID": order.id,
        "Description": [order.text],
        "WorkType": "Maintenance",
        "HierarchyScope": _scope(order),
        "Priority": order.priority,
        "RequestState": word,
        **({} if order.due_by is None else {"EndTime": _time(order.due_by)}),
        "JobOrder": [{name: value for name, value in job.items() if value != []}],
    }


def job_response(order: WorkOrder, planning: Planned) -> dict[str, Any]:
    """What came of it: completed, with the entry that proved it."""
    ended = order.ended
    data = [_datum("because", None if ended is None else ended.because)]
    if ended is not None:
        data += [_datum("entry", ended.entry), _datum("count", ended.count), _datum("late", str(ended.late).lower())]
    data.append(_datum("number", planning.number))
    return {
        "ID": order.id,
        "Description": [order.text],
        "WorkType": "Maintenance",
        "HierarchyScope": _scope(order),
        "JobOrderID": order.id,
        "StartTime": _time(order.opened.time),
        **({} if ended is None else {"EndTime": _time(ended.time)}),
        "JobState": "Completed",
        "PhysicalAssetActual": [{"ID": order.spindle}],
        "JobResponseData": [each for each in data if each],
    }


def _planned(planning: Planned) -> dict[str, str]:
    times = {"StartTime": planning.start, "EndTime": planning.end}
    return {name: _time(value) for name, value in times.items() if value is not None}


def _parameters(order: WorkOrder, planning: Planned) -> Iterable[dict[str, Any]]:
    told = {
        "cause": order.cause,
        "about": order.about or None,
        "reason": order.reason,
        "health": order.health,
        "check": order.check,
        "entry": order.entry,
        "due_by_count": order.due_by_count,
        "minutes": order.job.minutes,
        "number": planning.number,
        "note": planning.note,
    }
    return (each for each in (_datum(name, value) for name, value in told.items()) if each)


def _datum(name: str, value: Any) -> dict[str, Any]:
    return {} if value is None else {"ID": name, "Value": [{"ValueString": str(value)}]}


def _tool(place: int, tool: Tool) -> dict[str, Any]:
    torque = "" if tool.torque is None else f", {tool.torque.value} {tool.torque.unit}"
    return {"ID": str(place), "EquipmentClassID": [tool.kind], "Description": [f"{_TOOLS[tool.kind]}{torque}"]}


def _scope(order: WorkOrder) -> dict[str, Any]:
    """Site, area and work unit, as far as the spindle is in a machine (IEC 62264-1, role-based equipment)."""
    scope: dict[str, Any] = {}
    levels = (("WorkUnit", order.machine), ("Area", order.hall), ("Site", order.plant))
    for level, name in levels:
        if name is not None:
            below = {"HierarchyScopeChild": scope} if scope else {}
            scope = {"EquipmentID": name, "EquipmentLevel": level, **below}
    return scope


def _time(value: datetime) -> str:
    return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
