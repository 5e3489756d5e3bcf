// The chart library adds style elements of its own while it runs. The page's policy lets only those with this page's nonce apply.
{
  const { nonce } = document.currentScript;
  const make = Document.prototype.createElement;
  Document.prototype.createElement = function (name, options) {
    const node = make.call(this, name, options);
    if (String(name).toLowerCase() === "style") { node.nonce = nonce; }
    return node;
  };
}
