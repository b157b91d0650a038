// What is asked of a point, in the order of a walk. Every answer may be "don't
// know", which stays unknown: it is neither a no nor a zero.
//
// The ground questions and their words are those of 29 CFR 1926 Subpart P,
// Appendix A (d): visual and manual tests; thumb consistencies are TM 5-818-1
// Table 2-2; bar densities those of the TxDOT Geotechnical Manual, Table 4-1.

const ground = (key) => ['ground', key];

const yesNo = (yes, no) => [
  { value: 'yes', label: 'Yes', hint: yes },
  { value: 'no', label: 'No', hint: no },
];

const textures = [
  ['Sticky and fine', [
    ['clay', 'Sticks to the hand, shines when cut, rolls into a long thread.'],
    ['silty clay', 'Smooth and sticky, rolls into a thread that breaks sooner.'],
    ['sandy clay', 'Sticky, and you feel grit.'],
    ['clay loam', 'Holds a ribbon of 1 to 2 in (25 to 50 mm).'],
    ['silty clay loam', 'As clay loam, smooth like flour.'],
    ['sandy clay loam', 'As clay loam, gritty.'],
  ]],
  ['Crumbly', [
    ['loam', 'Even, forms a ball that breaks when poked.'],
    ['silt', 'Smooth as flour, hardly sticks, rolls into no thread.'],
    ['silt loam', 'Smooth, forms a ball that breaks easily.'],
    ['sandy loam', 'Gritty, forms a weak ball.'],
  ]],
  ['Loose grains', [
    ['loamy sand', 'Mostly sand, stains the hand.'],
    ['sand', 'Single grains, runs through the fingers.'],
    ['gravel', 'Rounded stones.'],
    ['angular gravel', 'Crushed stone with sharp edges.'],
    ['cobbles', 'Stones of 3 in (75 mm) and more.'],
  ]],
  ['Cemented, rock, other', [
    ['caliche', 'Grains cemented by lime; hard.'],
    ['hardpan', 'Cemented layer that breaks a shovel’s work.'],
    ['organic', 'Peat or muck: dark, light, fibrous.'],
    ['stable rock', 'Solid rock that stays standing when cut.'],
    ['unstable rock', 'Cracked or weathered rock.'],
  ]],
];

const word = (value, hint, label = value) => ({ value, label: label[0].toUpperCase() + label.slice(1), hint });

export const groups = ['Place', 'Ground', 'Bank', 'Anchors', 'Dangers', 'Proof'];

/**
 * @typedef {object} Question
 * @property {string} id
 * @property {string} group
 * @property {string} title
 * @property {string} [help]
 * @property {string} kind      which editor asks it
 * @property {string[]} [path]  where the answer goes in the properties
 * @property {object[]} [options]
 * @property {string} [unknown] the word for "don't know"; without one it is left out
 */

/** @type {Question[]} */
export const questions = [
  { id: 'position', group: 'Place', title: 'Where is the point?', kind: 'position', help: 'Where the front stake would stand. Every bearing and distance is measured from here.' },
  { id: 'site', group: 'Place', title: 'Which site does it belong to?', kind: 'site', path: ['site'], help: 'A site is a named stretch of bank; one sheet is printed for each.' },
  { id: 'label', group: 'Place', title: 'What is the point called?', kind: 'label', path: ['label'], help: 'Short, as it will stand on the map: P1, Gate, North pier.' },
  { id: 'who', group: 'Place', title: 'Who surveys it, and when?', kind: 'who' },

  {
    id: 'texture', group: 'Ground', title: 'What is the soil made of?', kind: 'choice', path: ground('texture'),
    help: 'Dig below the roots, take a handful, wet it and knead it.',
    groups: textures.map(([title, list]) => ({ title, options: list.map(([v, hint]) => word(v, hint)) })),
  },
  {
    id: 'moisture', group: 'Ground', title: 'How wet is it?', kind: 'choice', path: ground('moisture'),
    options: [
      word('dry', 'No moisture to be seen or felt.'), word('moist', 'Feels damp, leaves no water on the hand.'),
      word('wet', 'Leaves water on the hand, or stands in puddles.'), word('submerged', 'Under water.'), word('frozen', 'Hard with frost.'),
    ],
  },
  {
    id: 'disturbed', group: 'Ground', title: 'Was it dug, filled or built up before?', kind: 'choice', path: ground('disturbed'), unknown: 'unknown',
    help: 'Look for pipes, manholes, patches of other soil, straight edges, young growth only.', options: yesNo('Fill, a trench, a levee, a road bed.', 'It lies as it grew.'),
  },
  {
    id: 'fissured', group: 'Ground', title: 'Does it crack or break along planes?', kind: 'choice', path: ground('fissured'), unknown: 'unknown',
    help: 'Look at the face of the bank and along the edge for open cracks; see whether lumps spall off.', options: yesNo('Cracks, or it breaks along flat faces.', 'It holds together.'),
  },
  {
    id: 'seeping', group: 'Ground', title: 'Does water seep out of it?', kind: 'choice', path: ground('seeping'), unknown: 'unknown',
    help: 'Out of the face of the bank, or into a hole you dig.', options: yesNo('Water comes out by itself.', 'None comes.'),
  },
  {
    id: 'vibration', group: 'Ground', title: 'Is it shaken?', kind: 'choice', path: ground('vibration'), unknown: 'unknown',
    help: 'By heavy traffic, trains, pile driving, pumps.', options: yesNo('You feel it, or a road or railway is close.', 'Nothing shakes it.'),
  },
  {
    id: 'layers', group: 'Ground', title: 'Do layers dip into the bank’s slope?', kind: 'choice', path: ground('layers_dip_into_slope'), unknown: 'unknown',
    help: 'Layers that run down towards the open face, 1 down in 4 across or steeper.', options: yesNo('Layers tilt towards the drop.', 'No layers, or they lie flat or tilt back.'),
  },
  {
    id: 'thumb', group: 'Ground', title: 'How far does a thumb go in?', kind: 'test', test: 'thumb',
    help: 'Press the thumb into a fresh lump from below the surface.',
    options: [
      word('very soft', 'A fist sinks in several inches easily.'), word('soft', 'The thumb sinks in several inches easily.'),
      word('medium', 'The thumb sinks in several inches with moderate effort.'), word('stiff', 'The thumb dents it readily, but goes in only with great effort.'),
      word('very stiff', 'A thumbnail dents it readily.'), word('hard', 'A thumbnail dents it with difficulty.'),
    ],
  },
  { id: 'penetrometer', group: 'Ground', title: 'What does the pocket penetrometer read?', kind: 'readings', test: 'pocket penetrometer', help: 'On a fresh lump, several times; the weakest reading counts.' },
  { id: 'vane', group: 'Ground', title: 'What does the shear vane read?', kind: 'readings', test: 'shear vane', help: 'Shear strength, several times; the weakest reading counts.' },
  {
    id: 'thread', group: 'Ground', title: 'Does a thread hold together?', kind: 'test', test: 'thread',
    help: 'Roll moist soil to 1/8 in (3 mm) thick and hold up 2 in (50 mm) of it by one end.',
    options: [word('holds', 'It does not tear: the soil is cohesive.'), word('tears', 'It breaks or cannot be rolled.')],
  },
  {
    id: 'dry-strength', group: 'Ground', title: 'How does a dry lump break?', kind: 'test', test: 'dry strength',
    options: [
      word('crumbles', 'By itself or with little pressure into grains or powder.'),
      word('breaks with difficulty', 'Into smaller lumps that do not break up easily.'),
      word('does not break', 'Not even into small lumps.'),
    ],
  },
  {
    id: 'drying', group: 'Ground', title: 'Does it crack as it dries?', kind: 'test', test: 'drying', help: 'A pat about 1 in (25 mm) thick and 6 in (150 mm) across, dried through.',
    options: [word('cracks', 'Cracks show as it dries.'), word('no cracks', 'It dries whole.')],
  },
  {
    id: 'probe', group: 'Ground', title: 'How does a 1/2 in bar go in?', kind: 'test', test: 'rebar probe', help: 'For sand and gravel: push or drive a 1/2 in (13 mm) reinforcing bar.',
    options: [
      word('very loose', 'Pushed in more than 12 in (0.3 m) by hand.'), word('loose', 'Pushed in several inches by hand.'), word('medium', 'Driven easily or with some effort, 5 lb (2 kg) hammer.'),
      word('dense', 'Driven 1 ft (0.3 m) with difficulty, same hammer.'), word('very dense', 'Driven only a few inches, same hammer.'),
    ],
  },
  { id: 'visual', group: 'Ground', title: 'What do you see in the bank?', kind: 'seen', test: 'visual', help: 'One visual finding is needed for a class that is not provisional: cracks, layers, old fill, water, how cut faces stand.' },
  { id: 'refusal', group: 'Ground', title: 'Where does a bar stop going in?', kind: 'number', path: ground('depth_to_refusal_m'), quantity: 'length', help: 'Depth at which a driven bar meets rock or rubble. Leave it out if it never stopped.' },
  { id: 'class', group: 'Ground', title: 'Which class is the ground?', kind: 'class', path: ground('class'), help: 'The class follows from your answers. Write another only with a reason; the weaker of the two is used.' },

  { id: 'slope', group: 'Bank', title: 'How steep is the bank?', kind: 'number', path: ['terrain', 'slope_deg'], quantity: 'angle', help: 'Degrees from the horizontal, below the edge. 45° is as far down as across.' },
  { id: 'height', group: 'Bank', title: 'How high is the bank?', kind: 'number', path: ['terrain', 'height_m'], quantity: 'length', help: 'From the edge straight down to the toe.' },
  { id: 'setback', group: 'Bank', title: 'How far is the edge?', kind: 'number', path: ['terrain', 'setback_m'], quantity: 'length', help: 'From the point to the crest of the bank.' },
  { id: 'room', group: 'Bank', title: 'How much room is behind?', kind: 'number', path: ['terrain', 'room_behind_m'], quantity: 'length', help: 'Ground behind the point, away from the pull, on which stakes can stand. Rigs that share a load may have to stand further back.' },
  { id: 'fall', group: 'Bank', title: 'Which way does the bank fall?', kind: 'fall', path: ['terrain', 'fall_line_deg'], help: 'Stand at the point and face straight down the bank: the way a ball would roll.' },
  { id: 'pull', group: 'Bank', title: 'Which way will the rope pull?', kind: 'pull', path: ['pull'], help: 'From the anchor towards the load. Stakes line up along the opposite.' },

  { id: 'anchors', group: 'Anchors', title: 'What else here could hold?', kind: 'anchors', path: ['anchors'], help: 'Trees, posts, rock, vehicles. No strength is invented: without a rating it can only back something up.' },

  { id: 'buried', group: 'Dangers', title: 'Are buried utilities located?', kind: 'buried', path: ['buried_utilities'], help: 'Never drive a stake until they are located and marked.' },
  { id: 'overhead', group: 'Dangers', title: 'Is there a line overhead?', kind: 'overhead', path: ['overhead'], help: 'Look up, and along the way of every stake, driver and tag line.' },
  { id: 'hazards', group: 'Dangers', title: 'What will hurt you at this site?', kind: 'hazards', help: 'Kept with the site and printed on its sheet: water, traffic, animals, glass, gas.' },

  { id: 'pulls', group: 'Proof', title: 'Was anything pulled here?', kind: 'pulls', path: ['pull_tests'], help: 'A pull test at this very point is the best evidence there is. A failure caps every figure.' },
  { id: 'photos', group: 'Proof', title: 'Photos', kind: 'photos', path: ['photos'], help: 'The anchor, the bank from above and from the side, the way in.' },
];

export const byID = Object.fromEntries(questions.map((q) => [q.id, q]));

/** Whether an answer to a question is on record; "don't know" is not. */
export function known(q, item) {
  const p = item.feature.properties;
  const tests = p.ground?.tests ?? [];
  switch (q.kind) {
    case 'position':
      return Boolean(item.feature.geometry);
    case 'who':
      return Boolean(p.surveyed_at);
    case 'test':
    case 'readings':
    case 'seen':
      return tests.some((t) => t.kind === q.test);
    case 'pull':
      return p.pull?.bearing_deg !== undefined;
    case 'buried':
      return Boolean(p.buried_utilities?.state) && p.buried_utilities.state !== 'unknown';
    case 'overhead':
      return Boolean(p.overhead?.state) && p.overhead.state !== 'unknown';
    case 'hazards':
      return item.asked?.hazards === 'answered';
    default: {
      const v = q.path.reduce((o, k) => o?.[k], p);
      return v !== undefined && v !== 'unknown' && !(Array.isArray(v) && !v.length);
    }
  }
}

/** 'known', 'unknown' when it was asked and could not be told, or 'open'. */
export function standing(q, item) {
  if (known(q, item)) return 'known';
  return item.asked?.[q.id] ? 'unknown' : 'open';
}

/** The question that a JSON Pointer of a problem belongs to. */
export function questionAt(pointer) {
  const path = pointer.replace(/^\/properties\//, '').split('/');
  if (pointer.startsWith('/geometry')) return byID.position;
  if (path[0] === 'position') return byID.position;
  if (path[0].startsWith('surveyed')) return byID.who;
  if (path[0] === 'ground' && path[1] === 'tests') return byID.penetrometer;
  if (path[1] === 'class_reason') return byID.class;
  return questions.find((q) => q.path && q.path.every((k, i) => path[i] === k)) ?? byID.label;
}
