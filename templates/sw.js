{% load static %}// Makes run sheets readable without network: network first, then the copy that was kept, which says that it is
// one. Only pages whose answer has the header {{ keep }} are kept, for the sign-in that it names.
const PARTS = [{% for part in parts %}'{{ part }}'{% if not forloop.last %}, {% endif %}{% endfor %}]
const LIMIT = 3000 // milliseconds to wait for the network where there is a copy

addEventListener('install', event => {
  event.waitUntil(caches.open('parts').then(parts => parts.addAll(PARTS)).then(() => skipWaiting()))
})
addEventListener('activate', event => event.waitUntil(clients.claim()))
addEventListener('fetch', event => {
  const { method, mode, destination, url } = event.request
  if (method !== 'GET' || new URL(url).origin !== location.origin) return
  if (mode === 'navigate') event.respondWith(page(event))
  else if (['style', 'script', 'image'].includes(destination)) event.respondWith(part(event.request))
})

async function page (event) {
  const address = event.request.url.split('#')[0]
  const network = fetch(event.request).then(answer => keep(event, address, answer))
  const known = await copies()
  const copy = known && await known.match(address, { ignoreSearch: true })
  if (!copy) return network.catch(error => newest(known, error))
  const soon = network.then(answer => answer.status < 500 ? answer : null).catch(() => null)
  event.waitUntil(soon)
  const answer = await Promise.race([soon, new Promise(resolve => setTimeout(resolve, LIMIT))])
  return answer || marked(copy)
}

function keep (event, address, answer) {
  const owner = answer.headers.get('{{ keep }}')
  if (answer.ok && owner) {
    const mine = 'kept-' + owner
    const copy = answer.clone()
    event.waitUntil(caches.keys().then(names => Promise.all(
      names.filter(name => name.startsWith('kept-') && name !== mine).map(name => caches.delete(name))
    )).then(() => caches.open(mine)).then(kept => kept.put(address, copy)))
  } else if (answer.status < 500) { // nobody's sheet any more: the run is cancelled, or the seat given back
    event.waitUntil(copies().then(kept => kept && kept.delete(address)))
  }
  return answer
}

// The copies of the one sign-in that has any. Of two, nobody could say whose turn it is: then none is shown.
async function copies () {
  const names = (await caches.keys()).filter(name => name.startsWith('kept-'))
  return names.length === 1 ? caches.open(names[0]) : null
}

// Any other page, without network: the sheet that was kept last is what a driver is looking for.
async function newest (known, error) {
  const kept = known ? await known.keys() : []
  if (!kept.length) throw error
  return Response.redirect(kept[kept.length - 1].url)
}

async function marked (copy) {
  const text = (await copy.text()).replace('id="copy" hidden', 'id="copy"')
  return new Response(text, { headers: copy.headers })
}

async function part (request) {
  return fetch(request).catch(async error => await caches.match(request) || Promise.reject(error))
}
