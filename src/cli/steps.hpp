/// The steps of the way from frames to picture as the commands run them: with messages, progress
/// and a stop by Ctrl-C.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "broadloom/align.hpp"
#include "broadloom/error.hpp"
#include "broadloom/gather.hpp"
#include "broadloom/render.hpp"
#include "broadloom/verify.hpp"

namespace broadloom::cli {

/// Large buffers come from the system and go back to it, for steps that count every byte against
/// their budget; or are kept for the next of their size, for those whose libraries take and free
/// them by the thousand (a third of the time went into fresh pages).
void give_back_large_buffers();
void keep_large_buffers();

GatherReport run_gather(const GatherOptions& options);
AlignReport run_align(const AlignOptions& options);
RenderReport run_render(const Scene& scene, const RenderOptions& options);
/// Tells what was checked; damage is the caller's to tell.
VerifyReport run_verify(const VerifyOptions& options);

/// The value of `--memory`; nullopt for an empty text. Throws Error{usage}.
std::optional<int64_t> memory_option(const std::string& text);

/// The value of `--threads`; 0 stands for all processors and cannot be given. Throws Error{usage}.
int threads_option(int value, bool given);

[[noreturn]] void no_such_choice(const std::string& option, const std::string& word,
                                 const std::vector<std::string_view>& words);

/// One of the named choices. Throws Error{usage} that lists them.
template <typename T>
T choice(const std::string& option, const std::string& word,
         const std::vector<std::pair<std::string_view, T>>& choices) {
    std::vector<std::string_view> words;
    for (const auto& [name, value] : choices) {
        if (name == word) return value;
        words.push_back(name);
    }
    no_such_choice(option, word, words);
}

}  // namespace broadloom::cli
