#include "align/quiet_log.hpp"

#include <ceres/ceres.h>  // and with it glog, whose level this sets

namespace broadloom {

QuietLog::QuietLog() : before_(FLAGS_minloglevel) { FLAGS_minloglevel = google::GLOG_FATAL; }

QuietLog::~QuietLog() { FLAGS_minloglevel = before_; }

}  // namespace broadloom
