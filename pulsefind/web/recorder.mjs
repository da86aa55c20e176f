// The microphone, recorded on the clock of the sound card, so that a take lies on the song to the sample.
//
// Blocks reach the page with no trustworthy time, and some may be dropped on a busy machine. So a second channel beside
// the microphone carries a clock: a ramp that starts anew every second, made by the same sound card. The first value of
// each block says where in the second it belongs; which second it is, the page's own idea of the time is good enough for.
// (A worklet would need a script from an address, which the page's policy forbids.)

const BLOCK = 4096;
const MOST_S = 1800;

export class Recorder {
  constructor(context) {
    this.context = context;
    this.blocks = [];
  }

  // Ask for the microphone without what telephones do to speech. Throws what the browser says when it is refused.
  async open() {
    const plain = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
    this.stream = await navigator.mediaDevices.getUserMedia({ audio: plain });
    const { context } = this;
    const microphone = context.createMediaStreamSource(this.stream);
    this.clock = this.#clock();
    const merger = context.createChannelMerger(2);
    microphone.connect(merger, 0, 0);
    this.clock.connect(merger, 0, 1);
    this.node = context.createScriptProcessor(BLOCK, 2, 1);
    this.node.onaudioprocess = (event) => this.#take(event);
    merger.connect(this.node);
    // A node that is connected to nothing is not run; it hands on silence.
    this.node.connect(context.destination);
  }

  #clock() {
    const { context } = this;
    const rate = context.sampleRate;
    const buffer = context.createBuffer(1, rate, rate);
    buffer.copyToChannel(
      Float32Array.from({ length: rate }, (_, k) => k / rate),
      0,
    );
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = true;
    this.startFrame = Math.ceil((context.currentTime + 0.05) * rate);
    source.start(this.startFrame / rate);
    return source;
  }

  #take({ inputBuffer, playbackTime }) {
    if (this.blocks.length * BLOCK > MOST_S * this.context.sampleRate) return;
    const rate = this.context.sampleRate;
    const ramp = inputBuffer.getChannelData(1);
    // Before the clock starts its channel is silent; a block is placed by its last value, which then runs.
    const within = Math.round(ramp[BLOCK - 1] * rate) - (BLOCK - 1);
    const guess = playbackTime * rate - 2 * BLOCK - this.startFrame;
    const frame = within + rate * Math.round((guess - within) / rate);
    if (guess < -rate || !ramp[BLOCK - 1]) return;
    this.blocks.push({ frame, samples: inputBuffer.getChannelData(0).slice() });
  }

  // Stop and give what was recorded: { samples, rate, at }: `at` is the context's time of the first sample.
  close() {
    this.node.onaudioprocess = null;
    this.node.disconnect();
    this.clock.stop();
    for (const track of this.stream.getTracks()) track.stop();
    return joined(this.blocks, this.context.sampleRate, this.startFrame);
  }
}

// Blocks { frame, samples } laid on one line; what was dropped is silent.
export function joined(blocks, rate, startFrame) {
  if (!blocks.length) return { samples: new Float32Array(0), rate, at: startFrame / rate };
  const first = blocks[0].frame;
  const last = blocks.at(-1);
  const samples = new Float32Array(last.frame - first + last.samples.length);
  for (const block of blocks) if (block.frame >= first) samples.set(block.samples, block.frame - first);
  return { samples, rate, at: (startFrame + first) / rate };
}

// A wav file (RIFF, 16 bit PCM, mono) of samples within -1 .. 1.
export function wavOf(samples, rate) {
  const bytes = new DataView(new ArrayBuffer(44 + 2 * samples.length));
  const text = (at, word) => [...word].forEach((letter, k) => bytes.setUint8(at + k, letter.charCodeAt(0)));
  text(0, "RIFF");
  bytes.setUint32(4, 36 + 2 * samples.length, true);
  text(8, "WAVEfmt ");
  bytes.setUint32(16, 16, true);
  bytes.setUint16(20, 1, true);
  bytes.setUint16(22, 1, true);
  bytes.setUint32(24, rate, true);
  bytes.setUint32(28, 2 * rate, true);
  bytes.setUint16(32, 2, true);
  bytes.setUint16(34, 16, true);
  text(36, "data");
  bytes.setUint32(40, 2 * samples.length, true);
  samples.forEach((x, k) =>
    bytes.setInt16(44 + 2 * k, Math.round(32767 * Math.max(-1, Math.min(1, x))), true),
  );
  return new Uint8Array(bytes.buffer);
}
