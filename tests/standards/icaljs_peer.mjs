// ical.js, asked over a pipe when the events of a calendar take place. It has no time zones of its own, so
// it knows what the VTIMEZONEs in the calendar say and nothing else.
//
// Started with the folder of ical.js. One JSON object a line. In: {"text": a calendar, "first": instant,
// "last": instant}, instants as "20261001T080000Z". Out: {"times": {UID: [instant, ...]}}, the starts from
// `first` up to, not including, `last`, in order, whatever their STATUS; or {"error": text}.
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";

const { default: ICAL } = await import(pathToFileURL(process.argv[2] + "/dist/ical.js"));

function instant(time) {
  // It counts a time whose zone it was not told as if it were UTC.
  if (time.zone.tzid === "floating") throw new Error(`no time zone for ${time}`);
  return time.convertToZone(ICAL.Timezone.utcTimezone).toICALString();
}

function starts(master, overrides, last) {
  const event = new ICAL.Event(master, { exceptions: overrides });
  if (!event.isRecurring()) return [event.startDate];
  // An override may bring an event here from beyond the end: all of them are passed.
  const ends = [last, ...overrides.map((override) => override.getFirstPropertyValue("recurrence-id"))];
  const times = [];
  const iterator = event.iterator();
  for (let next = iterator.next(); next; next = iterator.next()) {
    if (ends.every((end) => next.compare(end) > 0)) break;
    times.push(event.getOccurrenceDetails(next).startDate);
  }
  return times;
}

function occurrences({ text, first, last }) {
  const [from, to] = [first, last].map((moment) => ICAL.Time.fromString(
    moment.replace(/^(....)(..)(..)T(..)(..)(..)Z$/, "$1-$2-$3T$4:$5:$6Z"),
  ));
  const byUid = new Map();
  for (const event of new ICAL.Component(ICAL.parse(text)).getAllSubcomponents("vevent")) {
    const uid = event.getFirstPropertyValue("uid");
    byUid.set(uid, [...(byUid.get(uid) ?? []), event]);
  }
  const times = {};
  for (const [uid, events] of byUid) {
    const overrides = events.filter((event) => event.hasProperty("recurrence-id"));
    const masters = events.filter((event) => !event.hasProperty("recurrence-id"));
    const found = masters.length
      ? masters.flatMap((master) => starts(master, overrides, to))
      : overrides.map((override) => override.getFirstPropertyValue("dtstart"));
    const inside = found.map(instant).filter((time) => first <= time && time < last);
    times[uid] = inside.sort();
  }
  return times;
}

for await (const line of createInterface({ input: process.stdin })) {
  let answer;
  try {
    answer = { times: occurrences(JSON.parse(line)) };
  } catch (error) {
    answer = { error: String(error) };
  }
  process.stdout.write(JSON.stringify(answer) + "\n");
}
