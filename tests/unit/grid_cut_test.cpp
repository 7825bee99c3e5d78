// The minimum cut against trying every cut, and against OpenCV 4.6's cv::detail::GCGraph.
#include "settle/grid_cut.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cstdlib>
#include <opencv2/core.hpp>
#include <opencv2/imgproc/detail/gcgraph.hpp>
#include <random>

#include "base/stopwatch.hpp"

using namespace broadloom;

namespace {

struct Link {
    int32_t a, b, forth, back;
    bool right;
};

/// Random costs on a lattice, some of its nodes and links missing.
struct Problem {
    int32_t nodes = 0;
    std::vector<std::pair<int32_t, int32_t>> costs;  // with the source, with the sink
    std::vector<Link> links;
};

Problem random_problem(int width, int height, int32_t most, double missing,
                       std::mt19937_64& random) {
    const auto dice = [&](int32_t below) {
        return static_cast<int32_t>(random() % static_cast<uint64_t>(below));
    };
    Problem p;
    std::vector<int32_t> node(static_cast<size_t>(width * height), -1);
    for (auto& n : node) {
        if (dice(1000) < missing * 1000) continue;
        n = p.nodes++;
        // Terminals are few and strong, or many and weak.
        const bool tied = dice(4) == 0;
        p.costs.emplace_back(tied ? dice(4 * most) : dice(2), tied ? dice(4 * most) : dice(2));
    }
    for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
            const int32_t a = node[static_cast<size_t>(y * width + x)];
            if (a < 0) continue;
            for (const bool right : {true, false}) {
                if (right ? x + 1 == width : y + 1 == height) continue;
                const int32_t b =
                    node[static_cast<size_t>(right ? y * width + x + 1 : (y + 1) * width + x)];
                if (b < 0) continue;
                p.links.push_back({a, b, dice(most), dice(3) == 0 ? 0 : dice(most), right});
            }
        }
    }
    return p;
}

int64_t cost_of(const Problem& p, const std::function<bool(int32_t)>& with_sink) {
    int64_t sum = 0;
    for (int32_t i = 0; i < p.nodes; ++i) {
        const auto& [source, sink] = p.costs[static_cast<size_t>(i)];
        sum += with_sink(i) ? sink : source;
    }
    for (const Link& l : p.links) {
        if (!with_sink(l.a) && with_sink(l.b)) sum += l.forth;
        if (with_sink(l.a) && !with_sink(l.b)) sum += l.back;
    }
    return sum;
}

int64_t solved(GridCut& cut, const Problem& p) {
    cut.reset(static_cast<size_t>(p.nodes));
    for (int32_t i = 0; i < p.nodes; ++i) {
        // In two parts: costs add up.
        const auto& [source, sink] = p.costs[static_cast<size_t>(i)];
        cut.add_costs(i, source, sink / 2);
        cut.add_costs(i, 0, sink - sink / 2);
    }
    for (const Link& l : p.links) {
        if (l.right) {
            cut.link_right(l.a, l.b, l.forth, l.back);
        } else {
            cut.link_down(l.a, l.b, l.forth, l.back);
        }
    }
    return cut.solve();
}

int64_t solved_by_opencv(const Problem& p) {
    cv::detail::GCGraph<int64_t> graph(static_cast<unsigned>(p.nodes),
                                       static_cast<unsigned>(p.links.size()));
    for (const auto& [source, sink] : p.costs) {
        graph.addTermWeights(graph.addVtx(), sink, source);
    }
    for (const Link& l : p.links) graph.addEdges(l.a, l.b, l.forth, l.back);
    return graph.maxFlow();
}

}  // namespace

TEST_CASE("no cut is cheaper than the one found", "[grid_cut]") {
    std::mt19937_64 random(7);
    GridCut cut;
    int64_t others = 0;
    for (int trial = 0; trial < 300; ++trial) {
        const int width = 1 + trial % 4;
        const int height = 1 + trial % 3;
        const Problem p = random_problem(width, height, 20, trial % 5 == 0 ? 0.3 : 0, random);
        const int64_t found = solved(cut, p);
        CHECK(cost_of(p, [&](int32_t i) { return cut.with_sink(i); }) == found);
        for (uint32_t choice = 0; choice < 1U << p.nodes; ++choice) {
            const int64_t cost = cost_of(p, [&](int32_t i) { return (choice >> i & 1) != 0; });
            if (cost < found) FAIL_CHECK("a cut of " << cost << " where " << found << " was found");
            others += cost > found ? 1 : 0;
        }
    }
    CHECK(others > 1000);  // the search is not empty
}

TEST_CASE("large cuts cost what OpenCV's do", "[grid_cut][opencv]") {
    std::mt19937_64 random(8);
    GridCut cut;
    for (const auto& [width, height, most, missing] :
         {std::tuple{60, 40, 100, 0.0}, std::tuple{200, 150, 1000, 0.1},
          std::tuple{131, 257, 100000, 0.3}, std::tuple{1, 500, 9, 0.0}}) {
        const Problem p = random_problem(width, height, most, missing, random);
        const int64_t found = solved(cut, p);
        CHECK(found == solved_by_opencv(p));
        CHECK(cost_of(p, [&](int32_t i) { return cut.with_sink(i); }) == found);
        // Another side for one node is no better.
        CHECK(cost_of(p, [&](int32_t i) { return cut.with_sink(i) != (i == p.nodes / 2); }) >=
              found);
    }
    if (std::getenv("BROADLOOM_FIGURES") == nullptr) return;
    const Problem p = random_problem(1000, 700, 1000, 0.05, random);
    for (int i = 0; i < 3; ++i) {
        const double start = monotonic_seconds();
        const int64_t found = solved(cut, p);
        const double middle = monotonic_seconds();
        CHECK(found == solved_by_opencv(p));
        WARN(p.nodes << " nodes: " << middle - start << " s; GCGraph "
                     << monotonic_seconds() - middle << " s");
    }
}
