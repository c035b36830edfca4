#include "daemon/service/queue_desk.hpp"

#include <gmock/gmock.h>

#include <boost/asio/io_context.hpp>

#include "../store/store_fixture.hpp"

namespace nightbench::service {
namespace {

using store::Entry;
using store::EntryState;
using ::testing::HasSubstr;

struct AtTheDesk : ::testing::Test {
  store::test::Folder folder;
  std::unique_ptr<store::SqliteQueue> store = *store::SqliteQueue::open(folder.database());
  boost::asio::io_context io;
  VirtualClock clock{io};
  EventHub events{io};
  QueueDesk desk{*store, clock, events};

  std::int64_t add(const std::string& board, std::optional<Duration> after = {},
                   std::optional<Duration> until = {}) {
    Entry entry;
    entry.board = board;
    entry.script = "response";
    if (after) entry.not_before = clock.wall() + *after;
    if (until) entry.until = clock.wall() + *until;
    return desk.add(entry)->id;
  }
  std::string order() {
    std::string out;
    const auto all = desk.list();
    for (const Entry& entry : *all) out += (out.empty() ? "" : " ") + entry.board;
    return out;
  }
  std::string due() {
    const auto found = desk.due();
    return found->entry ? found->entry->board : "";
  }
};

TEST_F(AtTheDesk, EntriesComeBackAsTheyWere) {
  Entry entry;
  entry.board = "H30-001";
  entry.board_type = "heron-30";
  entry.board_type_text = "{}";
  entry.script = "mine";
  entry.script_text = "{ \"script\": \"mine\" }";
  entry.parameters = {{"level", "-30 dBm"}, {"points", "26"}};
  entry.person = "A. Heron";
  entry.in_place = true;
  entry.not_before = clock.wall();
  entry.until = clock.wall() + std::chrono::hours(8);
  const Entry kept = *desk.add(entry);
  store = *store::SqliteQueue::open(folder.database());  // the file, not the memory
  const Entry found = *store->find(kept.id);
  EXPECT_EQ(found.board, "H30-001");
  EXPECT_EQ(found.board_type_text, "{}");
  EXPECT_EQ(found.script_text, entry.script_text);
  EXPECT_EQ(found.parameters, entry.parameters);
  EXPECT_EQ(found.person, "A. Heron");
  EXPECT_TRUE(found.in_place);
  EXPECT_EQ(found.not_before, entry.not_before);
  EXPECT_EQ(found.until, entry.until);
  EXPECT_EQ(found.added, clock.wall());
  EXPECT_EQ(found.state, EntryState::waiting);
}

TEST_F(AtTheDesk, TheFirstThatMayBeginIsDue) {
  add("a", std::chrono::hours(1));
  const auto b = add("b");
  add("c");
  EXPECT_EQ(due(), "b");
  ASSERT_TRUE(desk.hold(b));
  EXPECT_EQ(due(), "c");
  ASSERT_TRUE(desk.release(b));
  EXPECT_EQ(due(), "b");
  clock.shift_wall(std::chrono::hours(1));
  EXPECT_EQ(due(), "a");
}

TEST_F(AtTheDesk, WhenNothingIsDueItSaysWhen) {
  add("a", std::chrono::hours(2));
  add("b", std::chrono::hours(1));
  const auto due = desk.due();
  EXPECT_FALSE(due->entry);
  EXPECT_EQ(due->next, clock.wall() + std::chrono::hours(1));
  EXPECT_EQ(due->open, 2U);
}

TEST_F(AtTheDesk, AnEntryWhoseEndHasPassedExpires) {
  const auto a = add("a", {}, std::chrono::minutes(5));
  clock.shift_wall(std::chrono::minutes(5));
  EXPECT_EQ(due(), "");
  EXPECT_EQ(desk.find(a)->state, EntryState::expired);
  EXPECT_FALSE(desk.hold(a));
}

TEST_F(AtTheDesk, TheOrderCanBeChanged) {
  const auto a = add("a");
  const auto b = add("b");
  const auto c = add("c");
  ASSERT_TRUE(desk.move(c, a));
  EXPECT_EQ(order(), "c a b");
  ASSERT_TRUE(desk.move(a, std::nullopt));
  EXPECT_EQ(order(), "c b a");
  ASSERT_TRUE(desk.move(b, b));
  EXPECT_EQ(order(), "c b a");
  EXPECT_FALSE(desk.move(a, 99));
  EXPECT_FALSE(desk.move(99, a));
  ASSERT_TRUE(desk.cancel(b));
  EXPECT_FALSE(desk.move(b, a));
  EXPECT_FALSE(desk.move(a, b));
}

TEST_F(AtTheDesk, StatesChangeOnlyAsTheyMay) {
  const auto a = add("a");
  EXPECT_TRUE(desk.release(a)) << "it waits already";
  ASSERT_TRUE(desk.cancel(a));
  for (const auto& changed : {desk.hold(a), desk.release(a)}) {
    ASSERT_FALSE(changed);
    EXPECT_EQ(changed.error().kind, ErrorKind::bad_input);
    EXPECT_THAT(changed.error().message, HasSubstr("is cancelled and cannot become"));
  }
  EXPECT_THAT(desk.hold(99).error().message, HasSubstr("has no entry 99"));
}

TEST_F(AtTheDesk, EveryChangeIsTold) {
  int changes = 0;
  desk.on_change([&] { ++changes; });
  const auto a = add("a");
  ASSERT_TRUE(desk.hold(a));
  ASSERT_TRUE(desk.cancel(a));
  EXPECT_EQ(changes, 3);
  const auto batch = events.since(0);
  ASSERT_EQ(batch.events.size(), 3U);
  EXPECT_THAT(batch.events[2]->data, HasSubstr("\"state\":\"cancelled\""));
}

TEST_F(AtTheDesk, WhatWasRunningWhenTheServiceDiedWaitsAgain) {
  const auto a = add("a");
  add("b");
  Entry entry = *desk.find(a);
  ASSERT_TRUE(desk.set(entry, EntryState::running, ""));
  EXPECT_EQ(due(), "b");
  EXPECT_EQ(*desk.recover(), 1U);
  EXPECT_EQ(due(), "a");
  EXPECT_THAT(desk.find(a)->detail, HasSubstr("ended without a word"));
  EXPECT_EQ(*desk.recover(), 0U);
}

TEST_F(AtTheDesk, AFullQueueTakesNoMore) {
  for (int n = 0; n < 10; ++n) add("x");
  store::test::meddle(folder.database(), R"sql(
      WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 10000)
      INSERT INTO queue (place, board, board_type, board_type_text, script, script_text, parameters,
        person, in_place, added_ns, changed_ns, state, detail, run_id, verdict)
      SELECT i + 10, 'b', '', '', 's', '', '{}', '', 0, 0, 0, 'waiting', '', '', '' FROM n)sql");
  Entry entry;
  entry.board = "y";
  EXPECT_THAT(desk.add(entry).error().message, HasSubstr("takes no more"));
}

TEST_F(AtTheDesk, AStoreOfVersionOneIsBroughtUp) {
  store::test::meddle(folder.database(), "DROP TABLE queue; PRAGMA user_version = 1");
  store.reset();
  store = *store::SqliteQueue::open(folder.database());
  EXPECT_TRUE(store->list(0)->empty());
}

TEST_F(AtTheDesk, ADamagedEntryIsSaid) {
  add("a");
  store::test::meddle(folder.database(), "UPDATE queue SET state = 'asleep'");
  EXPECT_EQ(store->list(10).error().kind, ErrorKind::storage);
  EXPECT_EQ(desk.find(1).error().kind, ErrorKind::storage);
}

}  // namespace
}  // namespace nightbench::service
