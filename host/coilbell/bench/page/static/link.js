// The wire to the server: messages in, orders out, and back again when it was lost.
const SILENT_MS = 8000; // the server says that it lives every second: a cut network tells nobody that it is cut

export class Link {
  constructor(heard, state) {
    this.heard = heard;
    this.state = state;
    this.open();
    setInterval(() => performance.now() - this.heard_ms > SILENT_MS && this.lost(), 1000);
  }
  open() {
    const address = new URL("shots", location.href);
    address.protocol = "ws:";
    this.heard_ms = performance.now();
    this.socket = new WebSocket(address);
    this.socket.onopen = () => this.state("open");
    this.socket.onmessage = (event) => {
      this.heard_ms = performance.now();
      this.heard(JSON.parse(event.data));
    };
    this.socket.onclose = ({ code }) => this.lost(code);
  }
  lost(code) {
    this.socket.onmessage = this.socket.onclose = null;
    this.socket.close();
    this.heard_ms = Infinity; // nothing is waited for until it is open again
    this.state(code === 1013 ? "full" : "closed");
    setTimeout(() => this.open(), 1000);
  }
  order(what) {
    if (this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(what));
    return true;
  }
}
