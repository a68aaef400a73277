// SPDX-License-Identifier: Apache-2.0
// English: every string of the page's own, here those of the frame and the bench,
// in en-pages.js those of the other pages. Keys are grouped by page; {places} are
// filled with facts, and a function picks among forms by a number.

const many = (one, other) => ({ n }) => (n === 1 ? one : other);

export const en = {
  locale: 'en-GB',

  // numbers, times
  'unit.g': '{n}\u202fg', 'unit.gm2': '{n}\u202fg/m²', 'unit.m2': '{n}\u202fm²', 'unit.h': '{n}\u202fh', 'unit.min': '{n} min', 'unit.rate': '{x}\u202f{unit} an hour',
  'span.under': 'under a minute', 'span.min': '{n} min', 'span.h': '{n} h', 'span.h.min': '{n} h {m} min', 'span.days': '{n} days', 'span.days.h': '{n} days {h} h',
  'span.ahead': '{span} from now', 'span.ago': '{span} ago',
  'clock.am': '{x}\u00a0am', 'clock.pm': '{x}\u00a0pm', 'clock.axis.am': '{x}am', 'clock.axis.pm': '{x}pm', 'clock.notset': 'clock not set',
  'band.about': 'about {at}', 'band.range': 'about {at} ({from} to {to})', 'band.never': 'not in sight', 'band.notbefore': 'not before {at}',
  now: 'now', 'now.cap': 'Now', at: 'at', to: 'to', none: 'None', unknown: 'not known', ratio: '{r} to {h}',
  'none.reading': 'no reading', 'none.weighed': 'not weighed',
  'chance.hardly': 'hardly', 'chance.sure': 'all but certain', 'chance.tenths': '{n} in 10',

  // words of the trade
  'finger.ask': 'What does the finger find?', 'finger.not': 'Not now', 'finger.where': 'Gloved, on the witness, where no cloth will lie. One tap enters it.',

  'cover.none': 'Nothing', 'cover.peel ply': 'Peel ply', 'cover.film': 'Film', 'cover.vacuum bag': 'Vacuum bag',
  'do.coat': 'coat', 'do.cloth': 'cloth', 'do.cover': 'cover', 'do.sand': 'sand', 'do.wash': 'wash', 'do.flip': 'flip', 'do.unclamp': 'clamps off', 'do.wait': 'wait', 'do.soak': 'warm soak',

  'blush.low': 'low', 'blush.elevated': 'elevated', 'blush.high': 'high', 'blush.unknown': 'not known',

  'wstatus.before': 'not open yet', 'wstatus.open': 'open', 'wstatus.closed': 'closed', 'wstatus.cold': 'not now, too cold', 'wstatus.unknown': 'not known',
  'why.cold_glass': 'it set glassy from the cold before it gelled: it may feel hard and is not', 'why.below_minimum': 'it was colder than the data sheet allows', 'why.outside_range': 'it was outside the range the epoxy was fitted in', 'why.no_reading': 'there is no reading of its temperature yet', 'why.off_ratio': 'it was mixed off its ratio, and how that cures is not modelled: go by the finger only', 'why.gap': 'the readings have a gap too long to bridge',

  // the strip
  'strip.off': '{sign}{n}h', 'strip.dew': 'dew', 'strip.damp': 'damp', 'strip.felt': 'felt {at}: {state}', 'strip.until': '{state} until {at}', 'strip.now': '{state} now', 'strip.from': '{state} from about {at}', 'strip.gap': 'no reading {from} to {to}', 'strip.drops': 'dew or damp on it',
  'strip.window': 'window {kind}: {status}', 'strip.opens': 'opens {at}', 'strip.closes': 'closes {at}', 'strip.closed': 'closed {at}', 'strip.none': 'no time line yet',
  legend: 'How to read a strip', 'legend.window': 'the window; soft ends are doubt', 'legend.sleep': 'you sleep', 'legend.finger': 'your finger', 'legend.now': 'now', 'legend.drops': 'dew or damp on it',

  // frame
  skip: 'To the coats', pages: 'Pages', bar: 'What you did', 'bar.mixed': 'Mixed', 'bar.on': 'Another coat', 'bar.more': 'More', shop: 'The shop', back: 'Back', save: 'Save', saved: 'Saved.', changed: 'Changed.', note: 'A note', less: '\u2212 less: {what}', 'more.of': '+ more: {what}',
  'page.': 'Bench', 'page.jobs': 'Jobs', 'page.air': 'Air', 'page.pot': 'Cup', 'page.resins': 'Epoxies', 'page.stock': 'Stock', 'page.probes': 'Probes', 'page.day': 'Day', 'page.tent': 'Tent', 'page.history': 'History', 'page.settings': 'Settings', 'page.entries': 'Entries', 'page.more': 'More',
  'page.broke': 'This page could not be drawn. The bench still works.', 'page.notcome': 'This page did not come: the line to the board is down. The bench still works.', 'to.bench': 'Back to the bench',
  undo: 'Undo', 'undo.done': 'Undone.', 'undo.not': 'Could not be undone: {why}.', 'undo.of': 'undo: {what}', kept: 'Kept, will send.', 'not.done': 'Not done: {why}',
  'line.asking': 'Asking the board…', 'line.unheard': 'The board is not heard.', 'line.lost': 'No line to the board.', 'line.lost.for': 'No line to the board for {span}.', 'line.lost.kept': 'What you enter is kept on this phone and will be sent.', 'line.lost.trying': 'Trying again.',
  'line.waits': many('{n} entry is kept on this phone, will send', '{n} entries are kept on this phone, will send'), 'line.volatile': 'This browser keeps nothing: leave the page open until it is sent.', 'line.nottaken': 'Not taken:', 'line.again': 'Send it again', 'line.throw': 'Throw it away', 'line.refused': 'the board refused ({n})', 'line.orphan': 'what it belongs to was not sent',
  'form.kept': '{why}; what you entered is still here', 'form.noline': 'no line to the board',
  'act.ack': 'heard the call', 'act.used': 'cup used up', 'act.used.done': 'Cup used up.', 'act.ended': 'watch ended', 'act.ended.done': 'No longer watched. It stays in the record.', 'act.clock': 'The board goes by this phone’s clock now.',
  'got.it': 'Got it', danger: 'Danger.',

  // when
  'when.earlier': 'Earlier', 'when.change': 'Another time', 'when.hours': 'The hour', 'when.minutes': 'Five minutes', 'when.hour': 'Hour?', 'when.half': '12 h before', 'when.yesterday': 'A day before', 'when.hour.again': 'Other hour',

  // bench
  coats: 'Coats', odds: 'The odds:', 'feel.it': 'Feel it', epoxy: '{name} epoxy', 'sub.panel': 'panel {temp}', 'sub.air': '(from the air, wider doubt)', 'blush.is': 'Blush {band}:', 'blush.likely': 'a waxy film is likely on it. Rough scale, not proven.',
  'called.at': 'Called you at {at}.', 'called.heard': 'Heard the call of {at}.', 'call.since': 'since {at}', 'call.heard': 'heard',
  'air.shed': 'Shed {temp}', 'air.shed.rh': 'Shed {temp} {rh}', 'air.panel': '{panel} {temp}', 'air.under': '{panel} {temp}, {under}', 'air.underdew': 'under dew', 'air.over': '{panel} {temp}, {margin} above dew', 'air.only': 'only', 'air.low': 'Low ahead {low}', 'air.low.at': 'Low ahead {low}, {at}', 'air.low.range': 'Low ahead {low} ({from} to {to})', 'air.low.range.at': 'Low ahead {low} ({from} to {to}), {at}',
  night: 'While you sleep', 'night.more': 'And {n} more, each on its own page.', 'low.ask': 'Tonight’s low?', 'low.why': 'The forecast for the night needs it.', 'low.say': 'Say it',
  idle: 'Nothing on:', 'store.mark': 'The record:', 'clock.unknown': 'The board does not know the time.', 'clock.lengths': 'Until it does you see lengths of time, not clock times.', 'clock.take': 'Use this phone’s time',
  strange: many('A new probe speaks: {names}. It counts once you name it.', '{n} new probes speak: {names}. They count once you name them.'), 'strange.name': 'Name it',
  'probe.is': '{name} {state}.', 'probe.say.stale': 'has gone quiet', 'probe.say.missing': 'is not found', 'probe.say.stuck': 'is stuck at one value', 'probe.say.implausible': 'says what cannot be believed', 'probe.say.waiting': 'has not spoken yet',
  'probe.heard': 'Last heard {at}, {ago} ago.', 'probe.heard.ago': 'Last heard {at}.', 'probe.never': 'Never heard.', 'probe.judged': '{panel} is judged without it, with wider doubt.', 'probe.see': 'See Probes', 'probe.how': 'How to add one',
  'cup.up': 'Time is up', 'cup.left': 'About {span} left', 'cup.of': 'in the cup of {grams} of {resin}, mixed {at}.', 'cup.some': 'in the cup of {resin}, mixed {at}.', 'cup.late': 'Do not carry it if it is hot. If it smokes or foams, leave it, get out, air the shed; no water, no lid.', 'cup.soon': 'Use it or spread it in a tray.', 'cup.used': 'Used up',
  'first.noprobe': 'No probe yet.', 'first.noair': 'The probes have not spoken yet.', 'first.say': 'Write the job, or just mix.', 'first.again': 'Nothing is curing. Write the job, or just mix.', 'first.job': 'Write the job', 'first.mix': 'Just mix',
  'next.place': 'step {n} of {of}', 'next.mixed': 'Mixed', 'next.more': 'Another cup went on', 'next.enough': 'That was all', 'next.cup': 'Mix the next cup.', 'need.more': '{what}: one more cup', 'need.more.n': '{what}: {n} more cups', 'next.other': 'Not like this', 'next.mend': 'Put it into the job', 'next.over': 'The job is done here.', 'next.later': 'Not today.', 'next.next': 'Then the next step.', 'next.noline': 'Its moment is not known without a line: the finger leads.', 'next.cloth': 'Cloth is in', 'next.fill': 'Fill coat is on', 'next.coat': 'Next coat is on',
  'need.title': '{what}', 'need.title.area': '{what}, {area}', 'need.title.cup': '{what}: cup {k} of {n}', 'g.resin': 'g resin', 'g.hardener': 'g hardener', 'g.mixed': 'g mixed',
  'need.work': 'Use it within {span}', 'need.tray': 'Pour it into the tray at once: good for {span}', 'need.cup': '{grams} mixed {at}', 'need.cup.until': '{grams} mixed {at}: use it by {until}', 'need.cup.late': 'The {grams} may be too old: feel the cup, mix anew if it is warm', 'need.cloth': 'Cloth: {cloth}', 'need.cloth.at.once': 'Cloth at once: {cloth}', 'need.cover': 'Cover: {cover}', 'need.bag': 'Cover: {cover}, {kpa} kPa for {span}', 'need.weigh': 'Weigh it in', 'need.lot': 'Lot {lot}', 'need.depth': '{mm} mm deep', 'need.soak': 'Hold {temp} for {span}', 'need.soak.ramp': 'Rise {rate} to {temp}, hold {span}', 'need.soak.set': 'Plan it in the tent', 'need.to': 'Then {panel} lies up', 'need.share': '{n} % of it is on already',
  "button.It's on": 'It’s on', 'button.It’s on': 'It’s on', 'button.Cloth is in': 'Cloth is in', 'button.Covered': 'Covered', 'button.Sanded': 'Sanded', 'button.Washed': 'Washed', 'button.Flipped': 'Flipped', 'button.Clamps off': 'Clamps off', 'button.Soaked': 'Soaked', 'button.Waited': 'Waited', 'button.done': 'Done',
  'said.mixed': '{what} for {panel}: mixed', 'said.done': '{what}, {panel}: done', 'said.feel': '{finger}, {panel}', 'said.more': 'Another cup on {panel}', 'said.settled': 'settled', 'said.mend': 'the job of {panel} is mended',
  'unsaid.was': 'Say when', 'hold.done': 'Hold: done with it',
  cautions: 'An estimate, not a certificate of cure or strength: confirm with a fingertip, a hardness gauge, a test piece. The epoxy’s data sheet and safety data sheet win over any number here; local codes and licensed practice win over both.',

  // sound
  'sound.did': 'Did you hear it?', 'sound.yes': 'Yes, I heard it', 'sound.again': 'Play it again', 'sound.no': 'No', 'sound.unheard': 'Not heard.', 'sound.unheard.do': 'Turn the volume up and the silent switch off, then try again.', 'sound.untested': 'No way to wake you is set up.', 'sound.untested.do': 'Try the sound on this phone, and keep this page open.', 'sound.try': 'Try the sound', 'sound.off': 'The sound is off on this phone.', 'sound.on': 'Sound on', 'sound.is.on': 'The sound is on.', 'sound.test': 'Test the sound', 'sound.awake': 'The screen stays on while this page is open.', 'sound.noawake': 'Set the phone’s screen to stay on: over plain HTTP a page may not do it.',

};
