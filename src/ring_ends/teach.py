"""Teaches the filter of `ring_ends` and writes its weights.

    cargo run --release -- demo DISCS --count 900 --seed 41 [--kind ...]
    cargo bench --bench lessons -- DISCS LESSONS
    python3 src/ring_ends/teach.py LESSONS src/ring_ends/weights.bin [--steps N] [--look LESSONS2]

Needs PyTorch and a GPU (minutes) or patience. Every tenth lesson is kept back to measure; --look
measures on further lessons that are not learned from. Lessons are described in `benches/lessons.rs`.

Order of the weights, little endian f32, each convolution as PyTorch keeps it (out, in, arcs,
levels), its biases after it: stem; six blocks, each along-and-across (depthwise) and mixing; two
contexts and their whole-disc parts; head of the arcs; first, four and last layer of the disc's head;
head of the wood's kind.
"""
import argparse
import glob
import os
import time

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

ARCS, FINE = 72, 2
CHANNELS, DISC = 16, 24
# Dilation along the levels and across the arcs, block by block.
DILATION = [(1, 1), (1, 2), (2, 4), (4, 4), (2, 2), (1, 1)]
CONTEXT_AFTER = (1, 3)
DISC_DILATION = [1, 2, 4, 1]
CELLS = 384


def across(x, reach):
    """Arcs close into a turn; nothing lies beyond the ends of the levels."""
    return torch.cat([x[:, :, -reach:], x, x[:, :, :reach]], dim=2)


class Filter(nn.Module):
    def __init__(self):
        super().__init__()
        c = CHANNELS
        self.stem = nn.Conv2d(3 * FINE, c, (3, 5), padding=(0, 2))
        self.along = nn.ModuleList(
            nn.Conv2d(c, c, (3, 7), padding=(0, 3 * d), dilation=(a, d), groups=c)
            for d, a in DILATION)
        self.mix = nn.ModuleList(nn.Conv2d(c, c, 1) for _ in DILATION)
        self.context = nn.ModuleList(nn.Conv1d(c, c, 5, padding=2) for _ in CONTEXT_AFTER)
        self.whole = nn.ModuleList(nn.Linear(c, c) for _ in CONTEXT_AFTER)
        self.arc_head = nn.Conv2d(c, FINE, 1)
        self.disc_first = nn.Conv1d(c + FINE + 1, DISC, 1)
        self.disc = nn.ModuleList(
            nn.Conv1d(DISC, DISC, 5, padding=2 * d, dilation=d) for d in DISC_DILATION)
        self.disc_head = nn.Conv1d(DISC, FINE, 1)
        self.wood_head = nn.Linear(DISC, 3)

    def forward(self, x):
        seen = x[:, 2 * FINE:2 * FINE + 1]
        total = seen.sum(dim=2).clamp_min(1.0)
        mean = lambda v: (v * seen).sum(dim=2) / total
        here = (seen.mean(dim=2) > 0.05).float()
        over_all = lambda v: (v * here).sum(dim=2) / here.sum(dim=2).clamp_min(1.0)
        h = F.relu(self.stem(across(x, 1)))
        k = 0
        for i, (along, mix) in enumerate(zip(self.along, self.mix)):
            h = h + F.relu(mix(along(across(h, DILATION[i][1]))))
            if i in CONTEXT_AFTER:
                told = mean(h)
                told = self.context[k](told) + self.whole[k](over_all(told)).unsqueeze(2)
                h = h + F.relu(told).unsqueeze(2)
                k += 1
        arcs = self.arc_head(h)
        d = torch.cat([mean(h), mean(torch.sigmoid(arcs)), seen.mean(dim=2)], dim=1)
        d = F.relu(self.disc_first(d))
        for layer in self.disc:
            d = d + F.relu(layer(d))
        return arcs, self.disc_head(d), self.wood_head(over_all(d))

    def parts(self):
        yield self.stem
        for along, mix in zip(self.along, self.mix):
            yield along
            yield mix
        yield from self.context
        yield from self.whole
        yield self.arc_head
        yield self.disc_first
        yield from self.disc
        yield self.disc_head
        yield self.wood_head


class Lesson:
    def __init__(self, path, device):
        raw = open(path, 'rb').read()
        at = 0

        def take(kind, *shape):
            nonlocal at
            count = int(np.prod(shape))
            out = np.frombuffer(raw, kind, count, at).reshape(shape)
            at += out.nbytes
            return out
        n = int(take('<u4', 1)[0])
        tone, rough = take('i1', ARCS, FINE * n), take('i1', ARCS, FINE * n)
        seen, levels = take('u1', ARCS, n), take('<f4', n)
        distance = take('u1', ARCS, FINE * n)
        rings = int(take('<u4', 1)[0])
        self.places, self.shares = take('<f4', rings), take('<f4', rings)
        self.wood = int(take('u1', 1)[0])
        self.n, self.name = n, os.path.basename(path)
        fold = lambda p: p.reshape(ARCS, n, FINE).transpose(2, 0, 1).astype(np.float32)
        seen = seen[None].astype(np.float32) / 255
        scale = np.broadcast_to(np.log2(np.maximum(levels, 0.05)), (1, ARCS, n))
        planes = [fold(tone) / 32, fold(rough) / 32, seen, scale, fold(distance) / 16]
        disc = np.full(FINE * n, 99.0, np.float32)
        shown = np.zeros(FINE * n, np.float32)
        i = np.arange(FINE * n)
        for place, share in zip(self.places, self.shares):
            off = np.abs(i - place)
            near = off < disc
            disc[near], shown[near] = off[near], share
        self.planes = torch.tensor(np.concatenate(planes), device=device)
        self.disc = torch.tensor(np.stack([disc, shown]).reshape(2, n, FINE), device=device)


def view(planes):
    """The filter's input: tone, roughness, seen, and the length of a cell."""
    x = planes[:, :3 * FINE].clone()
    x[:, :2 * FINE] *= (planes[:, 2 * FINE:2 * FINE + 1] > 0.5)
    return x


def smoothed(v, sigma, dim):
    """A Gaussian along one axis of [channels, arcs, samples]."""
    reach = max(1, int(3 * sigma))
    bell = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=v.device) / sigma) ** 2)
    bell = bell / bell.sum()
    v = v if dim == 2 else v.transpose(1, 2)
    shape = v.shape
    v = F.pad(v.reshape(-1, 1, shape[2]), (reach, reach), mode='circular' if dim == 1 else 'replicate')
    v = F.conv1d(v, bell.reshape(1, 1, -1)).reshape(shape)
    return v if dim == 2 else v.transpose(1, 2)


def spoil(p, chance):
    """What real faces have more of than rendered ones: soft focus, arcs out of line, whole sectors
    that are torn or sawn rough, noise that runs along arcs or levels."""
    device = p.device
    fine = lambda v: v.permute(1, 2, 0).reshape(1, ARCS, -1)
    parted = lambda v: v.reshape(ARCS, -1, FINE).permute(2, 0, 1)
    tone, rough = fine(p[:FINE]), fine(p[FINE:2 * FINE])
    if chance.random() < 0.4:
        sigma = float(chance.uniform(0.6, 2.6))
        tone, rough = smoothed(tone, sigma, 2), smoothed(rough, sigma, 2)
        tone = tone * float(1 + 0.25 * sigma)
    if chance.random() < 0.35:
        # Arcs shifted by a wave: straightening is never perfect.
        shift = smoothed(torch.randn(1, ARCS, 1, device=device), float(chance.uniform(0.8, 4)), 1)
        shift = shift / shift.std().clamp_min(1e-3) * float(chance.uniform(0.3, 1.8))
        place = torch.arange(tone.shape[2], device=device).reshape(1, 1, -1) + shift
        low = place.floor().clamp(0, tone.shape[2] - 2)
        part = (place - low).clamp(0, 1)
        at = low.long().expand(1, ARCS, -1)
        moved = lambda v: v.gather(2, at) * (1 - part) + v.gather(2, at + 1) * part
        far = fine(p[2 * FINE + 2:])
        tone, rough, far = moved(tone), moved(rough), moved(far)
        p = torch.cat([p[:2 * FINE + 2], parted(far)])
    def noise():
        grain = torch.randn(1, ARCS, tone.shape[2], device=device)
        if chance.random() < 0.6:
            grain = smoothed(grain, float(chance.uniform(0.7, 5)), 2)
        if chance.random() < 0.4:
            grain = smoothed(grain, float(chance.uniform(0.7, 3)), 1)
        return grain / grain.std().clamp_min(1e-3)
    tone = tone * float(np.exp(chance.normal(0, 0.2))) + float(chance.random() ** 2) * 1.2 * noise()
    rough = rough * float(np.exp(chance.normal(0, 0.2))) + float(chance.random() ** 2) * noise()
    if chance.random() < 0.35:
        # A sector that shows next to nothing.
        size, first = int(chance.integers(10, 60)), int(chance.integers(ARCS))
        torn = ((torch.arange(ARCS, device=device) - first) % ARCS < size).float().reshape(1, -1, 1)
        left = float(chance.uniform(0, 0.35))
        tone = tone * (1 - torn * (1 - left)) + torn * float(chance.uniform(0.6, 1.6)) * noise()
        rough = rough * (1 - torn * (1 - left)) + torn * float(chance.uniform(0.6, 1.6)) * noise()
    p = torch.cat([parted(tone), parted(rough), p[2 * FINE:]])
    if chance.random() < 0.25:
        gap = int(chance.integers(6, 40))
        p[2 * FINE, :gap] = 0
    return p


def batch(lessons, size, device, chance):
    planes, discs, woods = [], [], []
    for _ in range(size):
        lesson = lessons[chance.integers(len(lessons))]
        # A wrongly measured ring width: stretch or squeeze.
        stretch = float(np.exp(chance.normal(0, 0.28)))
        want = int(round(CELLS / stretch))
        start = chance.integers(-8, max(lesson.n - want // 2, 1))
        a, b = max(start, 0), min(start + want, lesson.n)
        p, d = lesson.planes[:, :, a:b], lesson.disc[:, a:b]
        cells = min(CELLS, int(round((b - a) * stretch)))
        if abs(stretch - 1) > 0.02:
            fine = lambda v: F.interpolate(v, size=(v.shape[2], FINE * cells), mode='bilinear',
                                           align_corners=False)
            woven = lambda v: v.permute(1, 2, 0).reshape(1, 1, ARCS, -1)
            parted = lambda v: v.reshape(ARCS, cells, FINE).permute(2, 0, 1)
            tone, rough = (parted(fine(woven(p[k * FINE:(k + 1) * FINE]))) for k in (0, 1))
            rest = F.interpolate(p[None, 2 * FINE:2 * FINE + 2], size=(ARCS, cells),
                                 mode='bilinear', align_corners=False)[0]
            far = parted(fine(woven(p[2 * FINE + 2:]))) * stretch
            rest = torch.cat([rest[:1], rest[1:] - np.log2(stretch)])
            p = torch.cat([tone, rough, rest, far])
            d = F.interpolate(d.reshape(2, 1, -1), size=FINE * cells, mode='linear',
                              align_corners=False).reshape(2, cells, FINE)
            d = torch.stack([d[0] * stretch, d[1]])
        p = F.pad(p, (0, CELLS - p.shape[2]))
        d = F.pad(d, (0, 0, 0, CELLS - d.shape[1]))
        p = torch.roll(p, int(chance.integers(ARCS)), dims=1)
        if chance.random() < 0.5:
            p = p.flip(1)
        p = p.clone()
        p = spoil(p, chance)
        planes.append(p)
        discs.append(d)
        woods.append(lesson.wood if lesson.wood < 3 else -1)
    return torch.stack(planes), torch.stack(discs), torch.tensor(woods, device=device)


def losses(model, planes, discs, woods):
    arcs, disc, wood = model(view(planes))
    known = woods >= 0
    kind = F.cross_entropy(wood[known], woods[known]) if known.any() else wood.sum() * 0
    target = torch.exp(-0.5 * (planes[:, 2 * FINE + 2:] / 1.2) ** 2)
    weight = (planes[:, 2 * FINE:2 * FINE + 1] > 0.5).float().expand_as(target)
    arc = (F.binary_cross_entropy_with_logits(arcs, target, reduction='none') * weight).sum() \
        / weight.sum().clamp_min(1)
    goal = torch.exp(-0.5 * (discs[:, 0] / 1.3) ** 2).permute(0, 2, 1)
    sure = (planes[:, 2 * FINE:2 * FINE + 1] > 0.5).float().mean(dim=2)
    # A ring that few of the arcs show is neither right nor wrong.
    doubtful = (goal > 0.1) & (discs[:, 1].permute(0, 2, 1) < 0.12)
    trust = (sure > 0.05).float() * (~doubtful).float()
    whole = (F.binary_cross_entropy_with_logits(disc, goal, reduction='none') * trust).sum() \
        / trust.sum().clamp_min(1)
    return arc, whole, kind


@torch.no_grad()
def measure(model, lessons, device, title, each=False):
    found = true = told = 0
    woods = []
    suites = {}
    for lesson in lessons:
        _, disc, wood = model(view(lesson.planes[None]))
        if lesson.wood < 3:
            woods.append(int(wood[0].argmax()) == lesson.wood)
        p = torch.sigmoid(disc[0]).T.reshape(-1).cpu().numpy()
        inner = p[1:-1]
        peaks = np.where((inner > p[:-2]) & (inner >= p[2:]) & (inner > 0.3))[0] + 1
        places = np.sort(lesson.places[lesson.shares > 0.12])
        gaps = np.diff(places, prepend=0)
        narrow = np.minimum(gaps, np.append(gaps[1:], 99)) if len(places) else gaps
        hit, used = 0, set()
        for place, gap in zip(places, narrow):
            near = [k for k in peaks if abs(k - place) <= max(1.5, 0.25 * gap) and k not in used]
            if near:
                used.add(min(near, key=lambda k: abs(k - place)))
                hit += 1
        found, true, told = found + hit, true + len(places), told + len(peaks)
        suite = suites.setdefault(lesson.name.split('_QB')[0], [0, 0, 0])
        for k, v in enumerate((hit, len(places), len(peaks))):
            suite[k] += v
    f1 = lambda h, t, k: 2 * h / max(t + k, 1)
    print(f'{title}: F1 of the disc\'s peaks {f1(found, true, told):.4f}'
          f' recall {found / max(true, 1):.3f} precision {found / max(told, 1):.3f}'
          f' wood right {np.mean(woods):.3f}', flush=True)
    if each:
        print('  ' + '  '.join(f'{s} {f1(*v):.3f}' for s, v in sorted(suites.items())), flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('lessons')
    parser.add_argument('weights')
    parser.add_argument('--steps', type=int, default=9000)
    parser.add_argument('--look')
    parser.add_argument('--seconds', type=float, default=1e9)
    parser.add_argument('--seed', type=int, default=5)
    args = parser.parse_args()
    device = 'cuda' if torch.cuda.is_available() else 'cpu'
    torch.manual_seed(args.seed)
    chance = np.random.default_rng(args.seed)
    load = lambda folder: [Lesson(p, device) for p in sorted(glob.glob(f'{folder}/**/*.lesson', recursive=True))]
    lessons = load(args.lessons)
    kept, learned = lessons[::10], [v for i, v in enumerate(lessons) if i % 10]
    others = load(args.look) if args.look else []
    model = Filter().to(device)
    print(f'{len(learned)} lessons, {sum(p.numel() for p in model.parameters())} weights', flush=True)
    optimiser = torch.optim.AdamW(model.parameters(), lr=4e-3, weight_decay=1e-3)
    began = time.time()
    running = np.zeros(3)
    step = 0
    while step < args.steps:
        # The time given decides the pace, so that the rate falls to nothing at the end.
        share = max(step / args.steps, (time.time() - began) / args.seconds)
        if share >= 1:
            break
        for group in optimiser.param_groups:
            group['lr'] = 4e-3 * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * share))
        arc, whole, kind = losses(model, *batch(learned, 12, device, chance))
        optimiser.zero_grad(set_to_none=True)
        (arc + whole + 0.1 * kind).backward()
        nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        running += [arc.item(), whole.item(), kind.item()]
        step += 1
        if step % 500 == 0:
            print(f'{step} {time.time() - began:.0f} s arcs {running[0] / 500:.4f}'
                  f' disc {running[1] / 500:.4f} wood {running[2] / 500:.3f}', flush=True)
            running[:] = 0
        if step % 2000 == 0:
            measure(model, kept, device, 'kept back')
            if others:
                measure(model, others, device, 'others')
    weights = torch.cat([t.detach().reshape(-1).cpu() for part in model.parts()
                         for t in (part.weight, part.bias)])
    weights.numpy().astype('<f4').tofile(args.weights)
    print(f'{weights.numel()} weights written', flush=True)
    measure(model, kept, device, 'kept back', True)
    if others:
        measure(model, others, device, 'others', True)


if __name__ == '__main__':
    main()
