//! The command line: global flags, the nouns, and what every command is given.

use std::path::PathBuf;
use std::time::Duration;
use std::{env, fs};

use clap::builder::BoolishValueParser;
use clap::{Args, Parser, Subcommand};
use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::commands::{
    completions, floor, history, hold, load, man, measures, order, outline, plan, quote, reference, rehearse, replan,
    rulebook, shop, take_in, token, why,
};
use crate::connect::{Address, Connection};
use crate::error::{Failure, Kind};
use crate::names;
use crate::output::{ColorChoice, Output};

/// Plan the work of a collision-repair shop
#[derive(Debug, Parser)]
#[command(name = "fitup", bin_name = "fitup", version, max_term_width = 100, propagate_version = true)]
pub struct Cli {
    #[command(flatten)]
    global: Global,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Global options")]
struct Global {
    /// Talk to the server at this address
    #[arg(
        long,
        env = "FITUP_SERVER",
        default_value = "http://127.0.0.1:50610",
        value_name = "URL",
        global = true,
        hide_env_values = true
    )]
    server: String,
    /// Trust servers whose certificate is by this authority, a PEM file; without it those that this machine trusts
    #[arg(long, env = "FITUP_CA", value_name = "FILE", global = true, hide_env_values = true)]
    ca: Option<PathBuf>,
    /// Show the server this certificate of ours, a PEM file
    #[arg(long, env = "FITUP_CERT", value_name = "FILE", global = true, hide_env_values = true, requires = "key")]
    cert: Option<PathBuf>,
    /// The key of our certificate, a PEM file
    #[arg(long, env = "FITUP_KEY", value_name = "FILE", global = true, hide_env_values = true, requires = "cert")]
    key: Option<PathBuf>,
    /// Get in with the token in this file; without it with the one in FITUP_TOKEN, if it is set
    #[arg(long, env = "FITUP_TOKEN_FILE", value_name = "FILE", global = true, hide_env_values = true)]
    token_file: Option<PathBuf>,
    /// Send the token without TLS to other machines too, where the way there is safe
    #[arg(
        long,
        env = "FITUP_EXPOSE_TOKEN",
        global = true,
        hide_env_values = true,
        value_parser = BoolishValueParser::new()
    )]
    expose_token: bool,
    /// Work on this shop; without it on the only one there is
    #[arg(long, env = "FITUP_SHOP", value_name = "ID", global = true, hide_env_values = true)]
    shop: Option<String>,
    /// Wait so many seconds for an answer
    #[arg(
        long,
        env = "FITUP_TIMEOUT",
        default_value = "20",
        value_name = "SECONDS",
        global = true,
        hide_env_values = true,
        value_parser = seconds
    )]
    timeout: Duration,
    /// Print JSON, one object a line
    #[arg(long, env = "FITUP_JSON", global = true, hide_env_values = true, value_parser = BoolishValueParser::new())]
    json: bool,
    /// Use colour; NO_COLOR turns `auto` off
    #[arg(
        long,
        env = "FITUP_COLOR",
        default_value = "auto",
        value_name = "WHEN",
        global = true,
        hide_env_values = true
    )]
    color: ColorChoice,
    /// Lay out for so many columns; without it for the terminal, else for 80
    #[arg(long, env = "FITUP_WIDTH", value_name = "COLUMNS", global = true, hide_env_values = true)]
    width: Option<usize>,
}

impl Global {
    fn address(&self) -> Result<Address, Failure> {
        let token = match &self.token_file {
            Some(path) => {
                let unreadable = |error: std::io::Error| {
                    Failure::usage(format!("--token-file {} cannot be read", path.display())).cause(error.to_string())
                };
                Some(fs::read_to_string(path).map_err(unreadable)?)
            }
            None => env::var("FITUP_TOKEN").ok().filter(|token| !token.is_empty()),
        };
        Ok(Address {
            url: self.server.clone(),
            ca: self.ca.clone(),
            identity: self.cert.clone().zip(self.key.clone()),
            token: token.map(|token| token.trim().to_owned()),
            may_expose_token: self.expose_token,
        })
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Enter and change shops
    #[command(subcommand)]
    Shop(shop::Command),
    /// Enter and change repair orders
    #[command(subcommand)]
    Order(order::Command),
    /// Make repair orders from the lines of estimates
    #[command(subcommand)]
    TakeIn(take_in::Command),
    /// Look at and change the rule book, by which lines become operations
    #[command(subcommand)]
    Rulebook(rulebook::Command),
    /// Look at job outlines, from which orders are made
    #[command(subcommand)]
    Outline(outline::Command),
    /// Make, show and publish plans
    #[command(subcommand)]
    Plan(plan::Command),
    Quote(Box<quote::QuoteArgs>),
    /// Look at quotes that are held, make orders of them, and give them up
    #[command(subcommand)]
    Hold(hold::Command),
    Why(why::WhyArgs),
    Load(load::LoadArgs),
    Measures(measures::MeasuresArgs),
    /// Give tokens out, with which others get in, and take them back
    #[command(subcommand)]
    Token(token::Command),
    History(history::HistoryArgs),
    /// Say what happens on the floor, and see what it hits
    #[command(subcommand)]
    Floor(Box<floor::Command>),
    Replan(replan::ReplanArgs),
    Rehearse(rehearse::RehearseArgs),
    Completions(completions::CompletionsArgs),
    Man(man::ManArgs),
    Reference(reference::ReferenceArgs),
}

/// Parses a positive number of seconds, whole or decimal.
///
/// # Errors
///
/// If it is none.
pub fn seconds(text: &str) -> Result<Duration, String> {
    let seconds: f64 = text.parse().map_err(|_| "a number of seconds is wanted".to_owned())?;
    match Duration::try_from_secs_f64(seconds) {
        Ok(duration) if !duration.is_zero() && seconds <= 86_400.0 => Ok(duration),
        _ => Err("between 0 and 86400 seconds are wanted".to_owned()),
    }
}

/// What every command is given.
#[derive(Debug)]
pub struct Context {
    /// The server.
    pub link: Connection,
    /// The streams.
    pub output: Output,
    /// How long to wait for an answer.
    pub timeout: Duration,
    shop: Option<String>,
}

impl Context {
    /// Returns the id of the shop to work on.
    ///
    /// # Errors
    ///
    /// If none is named and there is not exactly one.
    pub async fn shop_id(&self) -> Result<String, Failure> {
        if let Some(shop) = &self.shop {
            return Ok(shop.clone());
        }
        let request = v1::ListShopsRequest { page_size: 50, page_token: String::new() };
        let answer = self.link.call(request, async |request| self.link.shops().list_shops(request).await).await?;
        let ids: Vec<&str> = answer.shops.iter().map(|shop| names::last(&shop.name)).collect();
        match ids[..] {
            [only] => Ok(only.to_owned()),
            [] => {
                Err(Failure::new(Kind::Refused, "there is no shop yet").hint("enter one with `fitup shop apply FILE`"))
            }
            _ => {
                let message = format!("there are several shops: {}", ids.join(", "));
                Err(Failure::usage(message).hint(format!("say which: --shop {}, or set FITUP_SHOP", ids[0])))
            }
        }
    }

    /// Returns the shop to work on, its id and its time zone.
    ///
    /// # Errors
    ///
    /// As [`Self::shop_id`], and if the zone is unknown here.
    pub async fn shop(&self) -> Result<ShopAt, Failure> {
        let id = self.shop_id().await?;
        let request = v1::GetShopRequest { name: names::shop(&id) };
        let shop = self.link.call(request, async |request| self.link.shops().get_shop(request).await).await?;
        let zone = TimeZone::get(&shop.time_zone).map_err(|_| {
            Failure::new(Kind::Refused, format!("the shop's time zone {:?} is unknown here", shop.time_zone))
                .hint("install the time zone database: apt-get install tzdata")
        })?;
        Ok(ShopAt { id, shop, zone })
    }
}

/// A shop with its id and its time zone.
#[derive(Debug, Clone)]
pub struct ShopAt {
    /// Its id.
    pub id: String,
    /// Its facts.
    pub shop: v1::Shop,
    /// Its time zone.
    pub zone: TimeZone,
}

impl Cli {
    /// Returns the streams that the flags ask for.
    pub fn output(&self) -> Output {
        Output::new(self.global.json, self.global.color, self.global.width)
    }

    /// Does what the command line asks for.
    ///
    /// # Errors
    ///
    /// With what is to be told, and the exit code.
    pub async fn run(self) -> Result<(), Failure> {
        let output = self.output();
        let address = self.global.address()?;
        let Global { shop, timeout, .. } = self.global;
        let shop = shop.filter(|shop| !shop.is_empty());
        let context = Context { link: Connection::new(&address, timeout)?, output, timeout, shop };
        match self.command {
            Command::Shop(command) => command.run(&context).await,
            Command::Order(command) => command.run(&context).await,
            Command::TakeIn(command) => command.run(&context).await,
            Command::Rulebook(command) => command.run(&context).await,
            Command::Outline(command) => command.run(&context),
            Command::Plan(command) => command.run(&context).await,
            Command::Quote(args) => args.run(&context).await,
            Command::Hold(command) => command.run(&context).await,
            Command::Why(args) => args.run(&context).await,
            Command::Load(args) => args.run(&context).await,
            Command::Measures(args) => args.run(&context).await,
            Command::Token(command) => command.run(&context).await,
            Command::History(args) => args.run(&context).await,
            Command::Floor(command) => command.run(&context).await,
            Command::Replan(args) => args.run(&context).await,
            Command::Rehearse(args) => args.run(&context).await,
            Command::Completions(args) => args.run(&context),
            Command::Man(args) => args.run(&context),
            Command::Reference(args) => args.run(&context),
        }
    }
}
