// The wire to the server: messages in, orders out, and back again when it was lost.
export class Link {
  constructor(heard, state) {
    this.heard = heard;
    this.state = state;
    this.open();
  }
  open() {
    const address = new URL("shots", location.href);
    address.protocol = "ws:";
    this.socket = new WebSocket(address);
    this.socket.onopen = () => this.state("open");
    this.socket.onmessage = (event) => this.heard(JSON.parse(event.data));
    this.socket.onclose = ({ code }) => {
      this.state(code === 1013 ? "full" : "closed");
      setTimeout(() => this.open(), 1000);
    };
  }
  order(what) {
    if (this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(what));
    return true;
  }
}
