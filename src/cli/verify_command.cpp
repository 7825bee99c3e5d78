#include <cstdio>
#include <memory>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/verify.hpp"
#include "cli/commands.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    std::string folder;
    uint64_t seed = 0;
    VerifyOptions options;
};

void run(const Arguments& a) {
    const VerifyReport r = run_verify(a.options);
    if (r.damaged == 0) return;
    constexpr size_t kShown = 20;
    std::string lines;
    for (size_t i = 0; i < r.damages.size() && i < kShown; ++i) {
        lines += "damaged  " + r.damages[i].name + ": " + r.damages[i].what + "\n";
    }
    const int64_t more = r.damaged - static_cast<int64_t>(std::min(r.damages.size(), kShown));
    if (more > 0) lines += "damaged  and " + std::to_string(more) + " more\n";
    const int64_t files = r.damaged - r.damaged_tiles;
    std::string what;
    if (r.damaged_tiles > 0) what = count_of(r.damaged_tiles, "tile");
    if (files > 0) what += (what.empty() ? "" : " and ") + count_of(files, "file");
    throw Error(ErrorCode::damage,
                escaped(a.folder) + ": " + what +
                    " damaged; render again with --resume to rebuild " +
                    (r.damaged == 1 ? "it" : "them"),
                lines);
}

}  // namespace

void add_verify(CLI::App& app) {
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "verify", "Checks a finished result: that it is all there, whole, and agrees with itself.");
    sub->add_option("DIR", a->folder, "Folder of the result")->required();
    sub->add_flag("--quick", a->options.quick,
                  "Every tile's head and end, and a sample of tiles in full");
    CLI::Option* seed =
        sub->add_option("--seed", a->seed, "Number that chooses the sample (from the clock)");
    CLI::Option* threads =
        sub->add_option("--threads", a->options.threads, "Threads (all processors)");
    sub->footer("Example:\n  broadloom verify out/draft");
    sub->callback([a, seed, threads] {
        a->options.folder = a->folder;
        if (seed->count() > 0) a->options.seed = a->seed;
        a->options.threads = threads_option(a->options.threads, threads->count() > 0);
        run(*a);
    });
}

}  // namespace broadloom::cli
